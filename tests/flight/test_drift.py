"""A dark that drifts: what two captures save, and what one alone says."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest

import pipeline
from pipeline.synthetic import PanelPlan, true_reflectance

DRIFT = 15.0
#: A target of 5 % beside panels above and below; a check panel, so that no fit sees it.
PANELS = (
    PanelPlan("grey-02", 0.02),
    PanelPlan("target-05", 0.05, "check"),
    PanelPlan("grey-24", 0.24),
    PanelPlan("grey-50", 0.50),
)


def bias_in_target(flight: Any, run: Any) -> float:
    """Mean error over the 5 % target's samples in the last cube, median over bands [1].

    The last cube is a second pass over the panels, the farthest in time from the first dark.
    """
    number = flight.plan.cubes - 1
    stem = flight.plan.stems[number]
    target = next(p for p in flight.truth.panels if p.name == "target-05")
    lines, samples = (slice(*span) for span in target.windows[stem])
    wanted = true_reflectance(flight.plan, number, lines)[:, :, samples].transpose(1, 0, 2)
    with netCDF4.Dataset(run.folder / f"{stem}.nc") as nc:
        error = nc["reflectance"][:, lines, samples] - wanted
        clear = nc["quality_flag"][:, lines, samples] == 0
    assert clear.mean() > 0.8
    return float(np.median([error[b][clear[b]].mean() for b in range(len(error))]))


def flight_with(
    make: Callable[..., Any], folder: Path, captures: tuple[str, ...], seed: int = 31
) -> Any:
    return make(
        folder,
        seed=seed,
        panels=PANELS,
        cubes=2,
        panel_passes=2,
        dark_drift_counts=DRIFT,
        dark_captures=captures,
    )


def of(document: Any, check: str) -> Any:
    return next(c for c in document["checks"] if c["check"] == check)


@pytest.mark.parametrize("seed", [31, 32])
def test_two_captures_keep_the_bias_of_a_dark_target_below_a_thousandth(
    seed: int, tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = flight_with(make_flight_in, tmp_path, ("before", "after"), seed)
    run = pipeline.run(flight.config)
    assert abs(bias_in_target(flight, run)) < 0.001
    drift = of(run.document, "dark-drift")
    assert drift["value"] == pytest.approx(DRIFT, abs=0.1)
    assert drift["verdict"] == "fail"
    assert "+15.0" in drift["says"]


def test_one_capture_alone_is_biased_and_says_that_the_dark_drifts(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    # Only the first pass is fitted, so that the second shows what has moved since.
    flight = flight_with(make_flight_in, tmp_path, ("before",))
    run = pipeline.run(flight.config)
    drift = of(run.document, "dark-drift")
    assert drift["verdict"] == "caution"
    assert "only one dark capture (cap-before)" in drift["says"].lower()
    assert "the dark drifts" in drift["says"]
    assert drift["value"] > 1
    assert run.document["verdict"] == "caution"
    # The same flight with both captures is better: the comparison above can fail.
    both = flight_with(make_flight_in, tmp_path / "both", ("before", "after"))
    two = pipeline.run(both.config)
    assert abs(bias_in_target(both, two)) < 0.5 * abs(bias_in_target(flight, run))
