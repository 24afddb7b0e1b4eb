"""Do the stated uncertainties hold over flights? The short form of `bench_coverage`.

The method is that of JCGM 101:2008 (GUM Supplement 1): all that the budget names is drawn anew in
every flight, and what is written is held against the truth.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

FLIGHTS = 8
#: Normal errors of the stated size lie within k = 2 in this share; the panels' own, 1.03 times the
#: stated, in 94.8 %.
NORMAL = 0.9545
#: Standard deviations from flight to flight, from 200 flights of each kind: of the share 2.0 to
#: 2.5 %, of the mean square of error over standard uncertainty 0.20 to 0.24.
SPREAD, SPREAD_Z2 = 0.025, 0.24


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    path = Path(__file__).parents[1] / "benchmarks" / "bench_coverage.py"
    spec = importlib.util.spec_from_file_location("bench_coverage", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module", params=["2 panels", "all"])
def told(request: pytest.FixtureRequest, bench: ModuleType) -> list[Any]:
    """Flights with two panels; and with three, flat, drifting dark and falling light."""
    flights: list[Any] = bench.coverage(bench.CASES[request.param], range(1, FLIGHTS + 1))
    return flights


def test_intervals_contain_the_truth_as_often_as_they_say(
    told: list[Any], bench: ModuleType
) -> None:
    """Most of a sample's variance is its own noise, so that few flights pin the share down.

    What eight flights can show is three standard errors: 0.954 +- 0.027, and 1 +- 0.25 for the mean
    square. With three panels the share is a little high, 0.96 over 200 flights: the Birge ratio
    enlarges where panels disagree and never reduces where they agree by chance. Whether it lies in
    0.93 to 0.97 takes 40 flights or more: the long form.
    """
    share, error = bench.share_over_flights(np.stack([t.whole for t in told]))
    assert abs(share - NORMAL) < 3 * SPREAD / np.sqrt(FLIGHTS)
    assert error < 2 * SPREAD / np.sqrt(FLIGHTS)
    assert abs(np.mean([t.mean_z2 for t in told]) - 1) < 3 * SPREAD_Z2 / np.sqrt(FLIGHTS)


def test_budget_is_the_files_uncertainty_but_for_rounding(told: list[Any]) -> None:
    # Two significant digits: half of one in ten, and the packed reflectance behind it.
    assert max(t.budget_off for t in told) < 0.055


def test_fitted_line_and_check_panel_are_right_within_their_own_uncertainty(
    told: list[Any], bench: ModuleType
) -> None:
    """The part common to a flight, without a sample's noise to hide it.

    Bands of a flight go together, all within or none: a share of 0.95 then has a standard deviation
    of at most sqrt(0.95 x 0.05 / 8) = 0.077 over eight flights. Twice that is allowed for.
    """
    spread = np.sqrt(NORMAL * (1 - NORMAL) / FLIGHTS)
    parts = {f"line at {v}": [t.by_line[i] for t in told] for i, v in enumerate(bench.LEVELS)}
    parts["check panel"] = [t.check_panel for t in told]
    for name, counts in parts.items():
        share, _ = bench.share_over_flights(np.stack(counts))
        assert share > NORMAL - 2 * spread, name


def test_the_share_and_its_error_are_those_of_a_ratio_of_sums(bench: ModuleType) -> None:
    counts = np.array([[9.0, 10.0], [10.0, 10.0], [8.0, 10.0], [9.0, 10.0]])
    share, error = bench.share_over_flights(counts)
    assert share == pytest.approx(0.9)
    assert error == pytest.approx(np.std([0.9, 1.0, 0.8, 0.9], ddof=1) / 2)
    assert np.isnan(bench.share_over_flights(np.zeros((3, 2)))[0])
