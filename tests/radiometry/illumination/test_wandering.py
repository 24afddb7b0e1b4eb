"""The local level model against its own simulation and against plain numbers."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.radiometry.illumination.wandering import (
    Wandering,
    covariances,
    fastest_wander,
    level_at,
    wandering,
)


@pytest.fixture
def rng():
    return np.random.default_rng(8)


def test_trend_wander_and_noise_are_found_again(rng):
    found = []
    for _ in range(20):
        t = np.cumsum(rng.uniform(0.5, 1.5, 800))
        level = (
            5 + 0.01 * t + np.cumsum(np.sqrt(0.04 * np.diff(t, prepend=0)) * rng.normal(size=800))
        )
        found.append(wandering(t, level + 0.5 * rng.normal(size=800)))
    trend, _, wander, noise = np.mean(found, axis=0)
    assert trend == pytest.approx(0.01, abs=0.01)
    assert wander == pytest.approx(0.04, rel=0.2)
    assert noise == pytest.approx(0.25, rel=0.1)


def test_rows_without_wandering_are_averaged(rng):
    t = np.arange(400.0)
    y = 3 + 0.02 * t + rng.normal(0, 1, 400)
    # Without wandering it is the straight line of least squares.
    level = level_at(t, y, np.ones(400, bool), Wandering(0.02, 0.0, 0.0, 1.0))
    np.testing.assert_allclose(level.value - 0.02 * t, (y - 0.02 * t).mean(), rtol=1e-9)
    np.testing.assert_allclose(level.variance, 1 / 400, rtol=1e-9)
    slope, _ = np.polyfit(t, y, 1)
    assert wandering(t, y).trend == pytest.approx(slope, abs=3 * 0.0004)


def test_smoothing_is_the_posterior_of_a_dense_gaussian_model(rng):
    """Against conditional means and covariances by plain linear algebra (GP regression)."""
    t = np.array([0.0, 1, 2, 4, 7, 8, 12])
    seen = np.array([False, True, True, False, True, True, False])
    y = rng.normal(size=7)
    found = Wandering(0.1, 0.0, 0.3, 0.5)
    level = level_at(t, y, seen, found)
    prior = 1e7 + 0.3 * np.minimum.outer(t, t)  # a level of any height that wanders
    rest = (y - 0.1 * t)[seen]
    total = prior[np.ix_(seen, seen)] + 0.5 * np.eye(seen.sum())
    gain = np.linalg.solve(total, prior[seen]).T
    np.testing.assert_allclose(level.value, gain @ rest + 0.1 * t, atol=1e-5)
    posterior = prior - gain @ prior[seen]
    np.testing.assert_allclose(level.variance, np.diag(posterior), atol=1e-5)
    for knot in range(7):
        np.testing.assert_allclose(covariances(level, knot), posterior[knot], atol=1e-5)
    moved = level_at(t, y, seen, Wandering(0.1 + 1e-3, 0.0, 0.3, 0.5))
    np.testing.assert_allclose((moved.value - level.value) / 1e-3, level.by_trend, atol=1e-6)


def test_a_swing_wanders_faster_than_its_rows_show():
    t = np.arange(600.0)
    swing = 0.1 * np.sin(t / 40)
    assert fastest_wander(t, swing, 0.0) > 5 * np.mean(np.diff(swing) ** 2)
    assert fastest_wander(t, 0.3 * t, 0.3) < 1e-20
