"""Variance from line differences, photon transfer, and the noise of a signal."""

import math

import numpy as np
import pytest

from pipeline.errors import CalibrationError
from pipeline.radiometry import noise


@pytest.fixture
def rng():
    return np.random.default_rng(7)


@pytest.mark.parametrize("bands", [4, 40])
def test_differences_pass_over_gradients_and_flicker(rng, bands):
    lines = np.linspace(0.8, 1.2, 400)[:, None, None]
    flicker = 1 + rng.normal(0, 0.05, (400, 1, 1))
    mean = np.linspace(500, 2500, bands)[None, :, None] * (1 + 0.02 * rng.normal(size=(1, 1, 30)))
    block = lines * flicker * mean + rng.normal(0, 6, (400, bands, 30))
    variance = noise.difference_variance(block)
    # Dividing by the light's course changes single samples' noise by its own few per cent.
    np.testing.assert_allclose(variance, 36, rtol=0.15)
    assert variance.mean() == pytest.approx(36, rel=0.05)


def test_texture_that_all_bands_share_is_no_noise(rng):
    texture = 1 + rng.normal(0, 0.03, (60, 1, 20))
    mean = np.linspace(100, 2500, 60)[None, :, None]
    block = texture * mean + rng.normal(0, 5, (60, 60, 20))
    assert noise.difference_variance(block).mean() == pytest.approx(25, rel=0.05)


def test_what_the_pixels_level_takes_from_the_noise_is_given_back(rng):
    """With 16 bands a pixel's level holds a sixteenth of each band's noise: 6 % of the variance."""
    block = 1000 + rng.normal(0, 5, (400, 16, 30))
    assert noise.difference_variance(block).mean() == pytest.approx(25, rel=0.02)


def test_nan_samples_are_passed_over(rng):
    block = 1000 + rng.normal(0, 5, (200, 20, 10))
    block[5, 3, 2] = np.nan
    block[:, 7] = np.nan
    variance = noise.difference_variance(block)
    assert np.isnan(variance).tolist() == [b == 7 for b in range(20)]
    assert np.nanmean(variance) == pytest.approx(25, rel=0.1)


def test_one_line_has_no_difference():
    with pytest.raises(CalibrationError, match="two lines"):
        noise.difference_variance(np.ones((1, 2, 3)))


def test_an_exact_line_gives_its_gain_and_points_near_saturation_are_left_out():
    signal = np.linspace(10, 4000, 50)
    variance = 9 + signal / 5.2
    variance[signal > 0.7 * 4000] = 1.0
    result = noise.photon_transfer(signal, variance, 9.0, saturation_counts=4000)
    assert result.electrons_per_count == pytest.approx(5.2, rel=1e-9)
    assert result.read_noise_counts == pytest.approx(3)
    assert result.standard_error < 1e-9


def test_wild_points_do_not_lead_the_line(rng):
    signal = np.linspace(10, 2500, 100)
    variance = (9 + signal / 5.2) * (1 + rng.normal(0, 0.03, 100))
    variance[::10] *= 8
    result = noise.photon_transfer(signal, variance, 9.0, saturation_counts=4000)
    assert result.electrons_per_count == pytest.approx(5.2, rel=0.03)


@pytest.mark.parametrize(
    ("signal", "variance"), [([100.0, 200], [20.0, 40]), ([100.0, 200, 300], [9.0, 8, 7])]
)
def test_data_that_cannot_tell_gives_nan(signal, variance):
    result = noise.photon_transfer(
        np.array(signal), np.array(variance), 9.0, saturation_counts=4000
    )
    assert math.isnan(result.electrons_per_count)


def test_does_not_change_input(rng):
    block = 1000 + rng.normal(0, 5, (20, 20, 10))
    kept = block.copy()
    noise.difference_variance(block)
    signal, variance = np.array([1.0, 2, 3]), np.array([2.0, 3, 4])
    noise.photon_transfer(signal, variance, 1.0, saturation_counts=10)
    np.testing.assert_array_equal(block, kept)
    assert signal.tolist() == [1, 2, 3]
    assert variance.tolist() == [2, 3, 4]
