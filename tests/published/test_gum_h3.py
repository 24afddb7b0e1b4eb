"""Calibration line of a thermometer, GUM (JCGM 100:2008) example H.3.

Readings t_k and corrections b_k of table H.6 and the results of H.3.3 to H.3.4, from memory. The
ordinary least squares of the example are the limit of York's line with errors in y alone, scaled
by the scatter of the points (Birge ratio).
"""

import numpy as np
import pytest

from pipeline.radiometry.york import york

READING_C = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
CORRECTION_C = -np.array(
    [0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160]
)
REFERENCE_C = 20.0


@pytest.fixture(scope="module")
def line():
    """(y1, y2, s(y1), s(y2), r) of b = y1 + y2 (t - 20 C)."""
    fit = york(READING_C - REFERENCE_C, CORRECTION_C, 0.0, 1.0)
    scale = fit.chi2 / (len(READING_C) - 2)
    s1, s2 = np.sqrt(fit.var_intercept * scale), np.sqrt(fit.var_slope * scale)
    return fit.intercept, fit.slope, s1, s2, fit.cov * scale / (s1 * s2)


@pytest.mark.parametrize(
    ("index", "published", "half_digit"),
    [
        (0, -0.1712, 5e-5),
        (1, 0.00218, 5e-6),
        (2, 0.0029, 5e-5),
        (3, 0.00067, 5e-6),
        (4, -0.930, 5e-4),
    ],
    ids=["intercept", "slope", "its error", "slope's error", "correlation"],
)
def test_line_and_its_covariance(line, index, published, half_digit):
    assert float(line[index]) == pytest.approx(published, abs=half_digit)


def test_predicted_correction_at_30_c(line):
    y1, y2, s1, s2, r = line
    at = 30.0 - REFERENCE_C
    assert y1 + at * y2 == pytest.approx(-0.1494, abs=5e-5)
    u = np.sqrt(s1**2 + (at * s2) ** 2 + 2 * at * s1 * s2 * r)
    assert u == pytest.approx(0.0041, abs=5e-5)
