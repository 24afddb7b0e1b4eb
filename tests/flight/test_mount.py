"""A camera that hangs otherwise than its aircraft: its mount in the config puts samples right."""

from __future__ import annotations

from pathlib import Path

import netCDF4
import numpy as np
import pytest

from pipeline.flight.run import run
from pipeline.synthetic import FlightPlan, make_flight, true_positions

PLAN = FlightPlan(
    cubes=2, lines=300, samples=160, bands=8, dark_frames=20, wobble_deg=1.0, heading_deg=33.0,
    manifest=False,
)  # fmt: skip


@pytest.fixture(scope="module")
def flight(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("mounted")
    make_flight(folder, PLAN)
    return folder / "flight.toml"


def places(config: Path, mount: str, out: Path) -> list[np.ndarray]:
    text = config.read_text().replace("[sensor]\n", f"[sensor]\n{mount}\n")
    own = config.with_name(f"{out.name}.toml")
    own.write_text(text)
    with netCDF4.Dataset(run(own, output=out, workers=1).folder / "strip-00.nc") as nc:
        return [np.asarray(nc[name][:]) for name in ("latitude", "longitude")]


def test_first_sample_right_turns_the_swath_round(flight: Path, tmp_path: Path) -> None:
    truth = true_positions(PLAN, 0)
    left = places(flight, "", tmp_path / "left")
    right = places(flight, 'first_sample = "right"', tmp_path / "right")
    metres = 111_000.0
    assert np.abs(np.subtract(left, truth)).max() * metres < 0.01
    # Level or not, the mirrored swath of a level mount crosses the same ground the other way.
    turned = np.asarray(right)[:, :, ::-1]
    roll_m = 2 * 30.0 * np.tan(np.radians(PLAN.wobble_deg))
    assert np.abs(turned - truth).max() * metres < roll_m + 0.01
    assert np.abs(np.subtract(right, truth)).max() * metres > 0.9 * 30 * 160 * 0.617e-3


def test_a_boresight_moves_the_ground_under_it(flight: Path, tmp_path: Path) -> None:
    """A degree of roll at 30 m is 0.52 m to the left of the heading."""
    straight = np.asarray(places(flight, "", tmp_path / "straight"))
    rolled = np.asarray(places(flight, "boresight_deg = [1.0, 0.0, 0.0]", tmp_path / "rolled"))
    moved = np.abs(rolled - straight)
    scale = np.array([111_300.0, 111_300.0 * np.cos(np.radians(PLAN.latitude))])[:, None, None]
    distance = np.hypot(*(moved * scale))
    assert np.median(distance) == pytest.approx(30 * np.tan(np.radians(1.0)), rel=0.02)
