"""Relative response: mean one, bad elements neutral, dark bands left alone."""

import numpy as np
import pytest

from pipeline.radiometry.flat import UNMEASURED_UNCERTAINTY, flat_field, response_spread

NONE = np.zeros((3, 50), dtype=bool)


@pytest.fixture
def rng():
    return np.random.default_rng(5)


def test_the_response_of_the_elements_comes_back(rng):
    truth = 1 + rng.normal(0, 0.02, (3, 50))
    truth /= truth.mean(axis=1, keepdims=True)
    flat = flat_field(truth * [[500], [1000], [2000]], np.full((3, 50), 5.0), 100, NONE)
    np.testing.assert_allclose(flat.response, truth, rtol=1e-6)
    np.testing.assert_allclose(flat.response.mean(axis=1), 1, rtol=1e-6)
    np.testing.assert_allclose(flat.uncertainty[0], 0.5 / 500, rtol=1e-6)


def test_the_stated_uncertainty_is_the_scatter(rng):
    noisy = [
        flat_field(1000 + rng.normal(0, 30 / 10, (3, 50)), np.full((3, 50), 30.0), 100, NONE)
        for _ in range(200)
    ]
    scatter = np.std([flat.response for flat in noisy], axis=0)
    assert scatter.mean() == pytest.approx(float(noisy[0].uncertainty.mean()), rel=0.05)


def test_bad_elements_and_elements_without_signal_are_neutral():
    signal = np.full((3, 50), 1000.0)
    bad = NONE.copy()
    bad[0, 3], signal[0, 3] = True, 1e6
    signal[1, 4] = np.nan
    signal[2, 5] = -2
    flat = flat_field(signal, np.full((3, 50), 5.0), 100, bad)
    for place in ((0, 3), (1, 4), (2, 5)):
        assert flat.response[place] == 1
        assert flat.uncertainty[place] == 0
    np.testing.assert_allclose(flat.response, 1)


def test_a_dark_band_keeps_one_with_a_stated_uncertainty():
    signal = np.full((3, 50), 1000.0)
    signal[1] = 2.0
    flat = flat_field(signal, np.full((3, 50), 5.0), 100, NONE)
    np.testing.assert_allclose(flat.response[1], 1)
    np.testing.assert_allclose(flat.uncertainty[1], UNMEASURED_UNCERTAINTY)


def test_a_band_of_bad_elements_is_neutral():
    bad = NONE.copy()
    bad[0] = True
    flat = flat_field(np.full((3, 50), 1000.0), np.full((3, 50), 5.0), 100, bad)
    np.testing.assert_allclose(flat.response[0], 1)
    np.testing.assert_allclose(flat.uncertainty[0], 0)


def test_does_not_change_input():
    signal, noise, bad = np.full((3, 50), 1000.0), np.full((3, 50), 5.0), NONE.copy()
    signal[0, 0] = np.nan
    kept = signal.copy()
    flat_field(signal, noise, 100, bad)
    np.testing.assert_array_equal(signal, kept)
    assert (noise == 5).all()
    assert not bad.any()


@pytest.mark.parametrize("prnu", [0.0, 0.005, 0.02])
def test_the_spread_of_the_response_is_seen_on_panels(prnu: float) -> None:
    rng = np.random.default_rng(7)
    bands, samples, lines, k, read = 120, 24, 40, 5.0, 2.0
    profiles, variances = [], []
    for level in (200.0, 900.0, 2400.0):
        signal = level * np.linspace(0.98, 1.03, samples) * np.linspace(0.3, 1.0, bands)[:, None]
        response = 1 + prnu * rng.standard_normal((bands, samples))
        variance = (read**2 + signal / k) / lines
        profiles.append(signal * response + np.sqrt(variance) * rng.standard_normal(signal.shape))
        variances.append(variance)
    profiles[0][3, 4] = np.nan
    profiles[1][5, 6] *= 3
    before = [p.copy() for p in profiles]
    spread = response_spread(profiles, variances)
    # The estimate's own standard error is near sigma^2/(2 sqrt(pairs)) / spread.
    assert spread == pytest.approx(prnu, rel=0.04, abs=6e-4)
    for one, other in zip(profiles, before, strict=True):
        np.testing.assert_array_equal(one, other)


def test_no_neighbours_no_spread() -> None:
    assert response_spread([], []) == 0
    assert response_spread([np.array([[100.0]])], [np.array([[1.0]])]) == 0
    lone = np.array([[100.0, np.nan, 120.0]])
    assert response_spread([lone], [np.ones((1, 3))]) == 0
    assert response_spread([-np.ones((2, 4))], [np.zeros((2, 4))]) == 0
