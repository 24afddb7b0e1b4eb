"""A panel that is not what its certificate says: the checks name it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.flight.field_check import look
from pipeline.synthetic import FlightPlan, PanelPlan

PANELS = FlightPlan().panels


def with_panel(name: str, **changes: Any) -> tuple[PanelPlan, ...]:
    return tuple(replace(p, **changes) if p.name == name else p for p in PANELS)


def alarms(flight: Any) -> list[Any]:
    checks: Any = look(flight.config).to_json()["checks"]
    return [c for c in checks if c["verdict"] in ("caution", "fail")]


def named(flight: Any, panel: str) -> list[str]:
    """Checks that raise and whose sentence names the panel."""
    return [c["check"] for c in alarms(flight) if panel in c["says"].lower()]


FAULTS = {
    # In half shadow (35 % of the light): the core is not uniform, the worst spread by far.
    "shadowed": ({"shadow": 0.35}, "panel-uniformity"),
    # Tilted towards the sun: all its signals 4 % too large, four times the certificates' standard
    # uncertainty; below every limit on reflectance, found by the fit's consistency alone.
    "tilted": ({"light": 1.04}, "fit-consistency"),
    # Dirt takes 20 % at 400 nm and fades to the red: hidden from anything that takes the median
    # over bands.
    "dirty": ({"blue_loss": 0.2}, "fit-residual"),
}


@pytest.mark.parametrize("seed", [61, 62])
@pytest.mark.parametrize("fault", FAULTS)
def test_a_faulty_panel_is_named(
    fault: str, seed: int, tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    changes, check = FAULTS[fault]
    flight = make_flight_in(
        tmp_path, seed=seed, cubes=1, bands=60, panels=with_panel("grey-50", **changes)
    )
    assert check in named(flight, "grey-50")


@pytest.mark.parametrize("name", ["grey-24", "grey-50"])
def test_the_panel_of_a_wrong_certificate_is_the_one_that_the_others_agree_without(
    name: str, tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    panels = with_panel(name, certificate_factor=1.3)
    flight = make_flight_in(tmp_path, seed=63, cubes=1, panels=panels)
    row = next(c for c in alarms(flight) if c["check"] == "fit-consistency")
    assert f"agree best without {name}" in row["says"]
    assert row["subject"] == name


def test_panels_that_are_right_raise_nothing(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    assert alarms(make_flight_in(tmp_path, seed=61, cubes=1, bands=60)) == []


def unconfirmed(flight: Any) -> list[Any]:
    checks: Any = look(flight.config).to_json()["checks"]
    return [c for c in checks if c["check"] == "panel-repeat" and " in " in c["subject"]]


def test_a_pass_that_the_image_does_not_confirm_is_named(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    """The second strip's middle panel hidden under something rough."""
    flight = make_flight_in(
        tmp_path, lines=200, samples=120, where="region", panel_passes=2, panel_samples=24
    )
    assert unconfirmed(flight) == []
    panel = flight.truth.panels[1]
    lines, samples = panel.windows["strip-01"]
    counts = flight.counts("strip-01")
    hidden = (slice(lines[0] - 4, lines[1] + 4), slice(None), slice(samples[0] - 4, samples[1] + 4))
    patch = counts[hidden]
    rough = np.random.default_rng(1).integers(200, 1500, (len(patch), 1, patch.shape[2]))
    counts[hidden] = np.broadcast_to(rough, patch.shape)
    counts.astype("<u2").tofile(flight.folder / "raw" / "strip-01.raw")
    (row,) = unconfirmed(flight)
    assert row["subject"] == f"{panel.name} in strip-01"
    assert row["verdict"] == "not checked"
    a, b = (
        int(word) for word in row["says"].split("at lines ")[1].split(" samples")[0].split(" to ")
    )
    assert abs(a - lines[0]) < 6
    assert abs(b - lines[1]) < 6
    assert "give its window" in row["do"]
