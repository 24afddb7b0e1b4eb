"""Neighbouring strips on the ground that both saw, over simulated flights."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.flight.field_check import look
from pipeline.flight.run import run
from pipeline.records import Check
from pipeline.synthetic import FlightPlan, make_flight

PLAN = FlightPlan(cubes=4, lines=400, samples=256, bands=12, dark_frames=100)


def row_of(place: Path, plan: FlightPlan) -> Check:
    make_flight(place, plan)
    [row] = [
        c for c in run(place / "flight.toml", workers=2).record.checks
        if c.check == "strip-agreement"
    ]  # fmt: skip
    return row


def test_less_light_in_one_strip_is_found_and_the_pair_named(tmp_path: Path) -> None:
    """92 % of the light: 0.08 of one strip's, 0.0833 of their mean."""
    row = row_of(tmp_path, replace(PLAN, strip_light=((1, 0.92),)))
    assert row.verdict == "caution"
    assert row.value == pytest.approx(0.08, abs=0.01)
    assert row.subject in ("strip-00 and strip-01", "strip-01 and strip-02")
    assert row.says.count("strip-01 is 8") + row.says.count("strip-02 is 8") == 1
    assert "it may be the light or the direction of view" in row.says


def test_a_slope_over_the_view_is_told_as_what_may_be_either(tmp_path: Path) -> None:
    """At 10 % overlap the same ground is seen 0.9 of the swath apart: 0.9 x 6 %."""
    row = row_of(tmp_path, replace(PLAN, directional_slope=0.06, side_lap=0.1))
    assert row.verdict == "caution"
    assert row.value == pytest.approx(0.9 * 0.06, abs=0.01)
    assert "it may be the light or the direction of view" in row.says
    assert "no correction tells them apart" in row.do


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_good_flights_have_no_caution(tmp_path: Path, seed: int) -> None:
    """As flown: never level, a track with noise, more side lap on one than on the next."""
    plan = replace(
        PLAN, seed=seed, wobble_deg=1.0, attitude_noise_deg=0.05, gnss_noise_m=0.02,
        side_lap=0.1 + 0.1 * (seed - 11),
    )  # fmt: skip
    row = row_of(tmp_path, plan)
    assert row.verdict == "pass"
    assert row.value is not None
    assert row.value < 0.02


@pytest.mark.parametrize(
    ("line", "missing"),
    [("ifov_mrad", "no cube has positions"), ("[flight]", "no two strips share enough ground")],
)
def test_without_positions_or_overlaps_it_says_so(tmp_path: Path, line: str, missing: str) -> None:
    plan = replace(PLAN, cubes=2, lines=150, side_lap=-0.1)
    make_flight(tmp_path, plan)
    config = tmp_path / "flight.toml"
    if line == "ifov_mrad":
        config.write_text(config.read_text().replace(line, f"# {line}"))
    [row] = [c for c in run(config, workers=2).record.checks if c.check == "strip-agreement"]
    assert row.verdict == "not checked"
    assert missing in row.says.lower()


def test_check_says_why_it_cannot_tell(tmp_path: Path) -> None:
    make_flight(tmp_path, replace(PLAN, cubes=2, lines=150))
    [row] = [c for c in look(tmp_path / "flight.toml").checks if c.check == "strip-agreement"]
    assert row.verdict == "not checked"
    assert "it takes calibrated cubes" in row.says.lower()
