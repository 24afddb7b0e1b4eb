"""Derivatives of York's line: those of the solution itself, moved and solved again."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.radiometry.york import york, york_derivatives, york_without_each

STEP = 1e-6


@pytest.mark.parametrize("points", [2, 3, 7])
@pytest.mark.parametrize("scatter", [0.0, 0.03])
def test_derivatives_are_those_of_the_moved_solution(points: int, scatter: float) -> None:
    rng = np.random.default_rng(points)
    x = np.linspace(0.1, 1, points)[:, None] * np.ones(4)
    y = 0.05 + 0.6 * x + scatter * rng.standard_normal(x.shape)
    ux, uy = rng.uniform(0.005, 0.03, x.shape), rng.uniform(0.005, 0.03, x.shape)
    used = np.ones(x.shape, np.bool_)
    if points == 7:
        used[2, 1] = False
    fit = york(x, y, ux, uy, used=used)
    by_x, by_y = york_derivatives(fit, x, y, ux, uy, used)
    for k in range(points):
        move = np.zeros(x.shape)
        move[k] = STEP
        for (slope, intercept), dx, dy in ((by_x, move, 0.0), (by_y, 0.0, move)):
            up = york(x + dx, y + dy, ux, uy, used=used)
            down = york(x - dx, y - dy, ux, uy, used=used)
            wanted = (up.slope - down.slope) / (2 * STEP)
            np.testing.assert_allclose(slope[k], wanted, rtol=1e-5, atol=1e-8)
            wanted = (up.intercept - down.intercept) / (2 * STEP)
            np.testing.assert_allclose(intercept[k], wanted, rtol=1e-5, atol=1e-8)


def test_unused_points_have_no_derivative_and_may_hold_anything() -> None:
    x, y = np.array([[0.0], [1.0], [np.nan]]), np.array([[0.0], [1.0], [np.inf]])
    used = np.array([[True], [True], [False]])
    u = np.array([[0.1], [0.1], [np.nan]])
    fit = york(x, y, u, u, used=used)
    for pair in york_derivatives(fit, x, y, u, u, used):
        for values in pair:
            assert np.isfinite(values).all()
            assert values[2] == 0


def test_leaving_out_each_of_many_points_is_fitting_the_others_again() -> None:
    rng = np.random.default_rng(40)
    x = np.sort(rng.uniform(0, 1, (40, 3)), axis=0)
    ux, uy = rng.uniform(0.005, 0.02, x.shape), rng.uniform(0.005, 0.02, x.shape)
    y = 0.05 + 0.6 * x + np.hypot(uy, 0.6 * ux) * rng.standard_normal(x.shape)
    used = np.ones(x.shape, np.bool_)
    used[5, 1] = False
    fit = york(x, y, ux, uy, used=used)
    slope, intercept = york_without_each(fit, x, y, ux, uy, used)
    for k in range(len(x)):
        others = used.copy()
        others[k] = False
        again = york(x, y, ux, uy, used=others)
        # Far below the fit's own standard uncertainty.
        np.testing.assert_allclose(slope[k], again.slope, atol=0.03 * fit.var_slope.min() ** 0.5)
        gone = np.abs(again.slope - fit.slope)
        assert (np.abs(slope[k] - again.slope) <= 0.1 * gone + 1e-3 * fit.var_slope**0.5).all()
        limit = 0.03 * fit.var_intercept.min() ** 0.5
        np.testing.assert_allclose(intercept[k], again.intercept, atol=limit)
    assert (slope[5, 1], intercept[5, 1]) == (fit.slope[1], fit.intercept[1])
