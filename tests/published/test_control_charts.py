"""Control charts against the worked examples of the NIST/SEMATECH e-Handbook (doi 10.18434/M32189).

6.3.2.2 (individuals): flow rate of ten batches. 6.3.2.4 (EWMA): twenty values, the last ten those
of 6.3.2.2. The digits are the handbook's, recomputed; the doi is from memory.
"""

import numpy as np
import pytest
from scipy import stats

from pipeline.radiometry.control_charts import (
    ewma,
    ewma_limits,
    individuals_limits,
    moving_ranges,
)

FLOW = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
BEFORE = np.array([52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5])


def test_moving_ranges_of_the_flow() -> None:
    assert moving_ranges(FLOW).mean() == pytest.approx(1.8778, abs=5e-5)


def test_limits_of_the_individuals_chart() -> None:
    centre, lower, upper = individuals_limits(FLOW)
    assert centre == pytest.approx(50.81, abs=5e-3)
    # The mean range is rounded to 1.8778 in the handbook, which is worth 1e-4 here.
    assert lower == pytest.approx(45.8159, abs=2e-4)
    assert upper == pytest.approx(55.8041, abs=2e-4)


def test_moving_average_and_its_limits() -> None:
    average = ewma(np.concatenate([BEFORE, FLOW]), start=50.0, weight=0.3)
    assert average[:5] == pytest.approx([50.60, 49.52, 50.56, 50.18, 50.16], abs=5e-3)
    centre, lower, upper = ewma_limits(50.0, 2.0539, weight=0.3)
    assert (centre, lower, upper) == pytest.approx((50.0, 47.4115, 52.5884), abs=2e-4)


def test_the_handbooks_average_stays_within_its_limits() -> None:
    # "EWMA control chart for our example": all twenty lie within.
    average = ewma(np.concatenate([BEFORE, FLOW]), start=50.0, weight=0.3)
    assert (np.abs(average - 50.0) < 52.5884 - 50.0).all()


def test_the_range_of_two_normal_values() -> None:
    # d2 of two: the mean of |N(0, 2)| is 2/sqrt(pi) = 1.128 (to the three digits of the tables).
    assert stats.foldnorm(0).mean() * np.sqrt(2) == pytest.approx(1.128, abs=5e-4)
