"""Straight line with errors in both coordinates, against York et al. (2004) and ODRPACK.

Data: Pearson (1901), Phil. Mag. 2, 559, with the weights of York (1966), Can. J. Phys. 44, 1079.
Results: York, Evensen, Martinez and De Basabe Delgado (2004), Am. J. Phys. 72, 367, doi
10.1119/1.1632486; data and results from memory, the digits below are those commonly reprinted.
"""

import numpy as np
import pytest
from odrpack import odr_fit
from scipy.optimize import minimize

from pipeline.radiometry.york import york

X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
WEIGHT_X = np.array([1000.0, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
WEIGHT_Y = np.array([1.0, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])


def odrpack_line(x, y, weight_x, weight_y, *, start):
    """ODRPACK's (intercept, slope), iterated far beyond its default tolerance."""
    return odr_fit(
        lambda x, b: b[0] + b[1] * x,
        x,
        y,
        start,
        weight_x=weight_x,
        weight_y=weight_y,
        sstol=1e-14,
        partol=1e-14,
        diff_scheme="central",
        maxit=500,
    )


@pytest.fixture(scope="module")
def fit():
    return york(X, Y, WEIGHT_X**-0.5, WEIGHT_Y**-0.5)


@pytest.mark.parametrize(
    ("got", "published", "tolerance"),
    [
        (lambda f: f.slope, -0.48053341, 5e-9),
        (lambda f: f.intercept, 5.47991022, 5e-9),
        (lambda f: np.sqrt(f.var_slope), 0.0579850, 5e-8),
        (lambda f: np.sqrt(f.var_intercept), 0.2949707, 5e-8),
        (lambda f: f.chi2, 11.8663532, 5e-8),
    ],
    ids=["slope", "intercept", "slope error", "intercept error", "S"],
)
def test_pearsons_data_with_yorks_weights(fit, got, published, tolerance):
    assert float(got(fit)) == pytest.approx(published, abs=tolerance)


def test_the_covariance_is_minus_the_centre_times_the_slopes_variance(fit):
    assert -1 < fit.cov / np.sqrt(fit.var_slope * fit.var_intercept) < -0.9


def test_odrpack_finds_the_same_line(fit):
    other = odrpack_line(X, Y, WEIGHT_X, WEIGHT_Y, start=[5.0, -0.5])
    np.testing.assert_allclose([fit.intercept, fit.slope], other.beta, rtol=1e-6)
    # ODRPACK's covariance is for weights known up to a factor, as its sum of squares says.
    errors = np.sqrt(np.diag(other.cov_beta))
    np.testing.assert_allclose(
        [np.sqrt(fit.var_intercept), np.sqrt(fit.var_slope)], errors, rtol=0.03
    )


def test_odrpack_agrees_on_random_lines():
    rng = np.random.default_rng(12)
    for _ in range(20):
        x = np.sort(rng.uniform(100, 3500, 5))
        ux, uy = rng.uniform(2, 40, 5), rng.uniform(0.002, 0.02, 5)
        y = 0.01 + 2.3e-4 * x + rng.normal(0, uy) + 2.3e-4 * rng.normal(0, ux)
        fit = york(x, y, ux, uy)
        other = odrpack_line(x, y, ux**-2, uy**-2, start=[0.0, 2e-4])
        np.testing.assert_allclose(fit.slope, other.beta[1], rtol=1e-6)
        np.testing.assert_allclose(fit.intercept, other.beta[0], rtol=1e-4, atol=1e-7)


def test_many_fits_at_once_are_the_single_fits(fit):
    stacked = york(
        np.stack([X, X], axis=1),
        np.stack([Y, 2 * Y], axis=1),
        (WEIGHT_X**-0.5)[:, None],
        np.stack([WEIGHT_Y**-0.5, 2 * WEIGHT_Y**-0.5], axis=1),
    )
    np.testing.assert_allclose(stacked.slope, [fit.slope, 2 * fit.slope], rtol=1e-10)


@pytest.mark.parametrize("r", [-0.7, 0.0, 0.6])
def test_correlated_errors_give_the_line_of_greatest_likelihood(r: float) -> None:
    """The whole likelihood minimised over the line and the true points by scipy, which knows
    nothing of York's equations."""
    rng = np.random.default_rng(8)
    x_true = np.linspace(0, 10, 8)
    ux, uy = rng.uniform(0.2, 0.8, 8), rng.uniform(0.2, 0.8, 8)
    errors = [rng.multivariate_normal([0, 0], c) for c in covariances(ux, uy, r)]
    x, y = x_true + [e[0] for e in errors], 1 + 0.7 * x_true + [e[1] for e in errors]
    inverse = np.linalg.inv(covariances(ux, uy, r))

    def chi_square(p: np.ndarray) -> float:
        apart = np.stack([x - p[2:], y - p[0] - p[1] * p[2:]], axis=1)
        return float(np.einsum("ki,kij,kj->", apart, inverse, apart))

    best = minimize(chi_square, np.concatenate([[1.0, 0.7], x]), method="BFGS", tol=1e-10)
    fit = york(x, y, ux, uy, r)
    assert fit.intercept == pytest.approx(best.x[0], abs=1e-4)
    assert fit.slope == pytest.approx(best.x[1], abs=1e-5)
    assert fit.chi2 == pytest.approx(best.fun, rel=1e-6)


def covariances(ux: np.ndarray, uy: np.ndarray, r: float) -> np.ndarray:
    """Covariance matrices of the points' errors, (point, 2, 2)."""
    both = r * ux * uy
    return np.stack([np.stack([ux**2, both], axis=1), np.stack([both, uy**2], axis=1)], axis=1)
