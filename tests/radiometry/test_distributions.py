"""Shares and quantiles of distributions, held to scipy's and to the GUM's table."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest
from scipy.special import chdtri, erf, ndtr, stdtrit

from pipeline.radiometry import distributions
from pipeline.radiometry.distributions import (
    few_factor,
    normal_below,
    normal_within,
    reduced_chi_square_point,
)
from pipeline.radiometry.limits import CONSISTENCY_POINT, LEAK_ERRORS

MAKER = Path(__file__).parents[1] / "published" / "make_quantiles.py"
FREEDOM = np.concatenate([np.arange(1.0, 40.0, 0.25), np.geomspace(40.0, 1e6, 200)])


@pytest.mark.parametrize(("errors", "within"), [(1.0, 1e-10), (LEAK_ERRORS, 1e-8)])
def test_students_factor_is_that_of_scipy(errors, within):
    true = stdtrit(FREEDOM, ndtr(-errors)) / -errors
    np.testing.assert_allclose([few_factor(n, errors) for n in FREEDOM], true, rtol=within)


def test_students_factor_is_that_of_the_gum():
    """Student's t, 84.13 %: 1.84, 1.32, 1.20 for 1, 2, 3 degrees of freedom (GUM table G.2)."""
    np.testing.assert_allclose([few_factor(n) for n in (1, 2, 3)], [1.84, 1.32, 1.20], atol=0.005)
    assert few_factor(0.3) == few_factor(1)
    assert few_factor(1e6) == pytest.approx(1, abs=1e-4)


def test_the_chi_square_point_is_that_of_scipy():
    true = chdtri(FREEDOM, 1 - CONSISTENCY_POINT) / FREEDOM
    np.testing.assert_allclose(reduced_chi_square_point(FREEDOM), true, rtol=1e-10)
    assert reduced_chi_square_point(1e9) == reduced_chi_square_point(1e6)
    assert reduced_chi_square_point(0) == reduced_chi_square_point(1)


def test_normal_shares_are_those_of_scipy():
    z = np.linspace(-37, 37, 4002)
    np.testing.assert_allclose(normal_below(z), ndtr(z), rtol=1e-12)
    np.testing.assert_allclose(normal_within(abs(z)), erf(abs(z) / np.sqrt(2)), rtol=1e-14)
    assert normal_below(np.zeros((2, 3))).shape == (2, 3)
    assert normal_below([[np.nan, -np.inf, np.inf]])[0].tolist()[1:] == [0.0, 1.0]


def test_the_kept_coefficients_are_those_that_the_program_makes():
    maker = runpy.run_path(str(MAKER))
    kept = {**distributions._STUDENT, **distributions._CHI_SQUARE}
    made = {errors: maker["student"](errors) for errors in distributions._STUDENT}
    made |= {share: maker["chi_square"](share) for share in distributions._CHI_SQUARE}
    for key, text in kept.items():
        np.testing.assert_allclose(np.array(text.split(), float), made[key], atol=1e-9)
