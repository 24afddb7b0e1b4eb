"""Angles that turn: the mean and the span of those about 180 lie there."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import circmean

from pipeline.radiometry.angles import circular_mean, span, wrapped


@given(st.lists(st.floats(-30, 30), min_size=1, max_size=20), st.floats(-180, 180))
def test_the_mean_is_scipys(off: list[float], centre: float) -> None:
    degrees = centre + np.array(off)
    expected = circmean(degrees, high=180, low=-180)
    assert wrapped(circular_mean(degrees) - expected) == pytest.approx(0, abs=1e-9)


@given(st.floats(-1000, 1000))
def test_wrapping_turns_by_whole_circles(degrees: float) -> None:
    turns = (degrees - float(wrapped(degrees))) / 360
    assert turns == pytest.approx(round(turns), abs=1e-9)
    assert -180 <= wrapped(degrees) <= 180


@pytest.mark.parametrize(
    ("degrees", "ends"),
    [
        ([3.1, 3.3, math.nan, 3.2], (3.1, 3.3)),
        ([179.9, -179.8, 179.95], (179.9, -179.8)),
        ([179.9, 180.2], (179.9, -179.8)),
        ([math.nan], (math.nan, math.nan)),
    ],
)
def test_a_span_runs_from_west_to_east(degrees: list[float], ends: tuple[float, float]) -> None:
    assert span(degrees) == pytest.approx(ends, nan_ok=True)
    assert math.isnan(circular_mean([math.nan]))
