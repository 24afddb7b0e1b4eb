"""A panel's core: its mean, an honest uncertainty, what is left out, how uniform it is."""

import math

import numpy as np
import pytest

from pipeline.radiometry.panels import core as panels

LINES, BANDS, SAMPLES = 40, 30, 24


@pytest.fixture
def rng():
    return np.random.default_rng(8)


def read(signal, *, saturated=None, bad=None, dark=0.0, raw=None):
    shape = signal.shape
    return panels.read_panel(
        signal,
        np.zeros(shape, dtype=bool) if saturated is None else saturated,
        np.zeros(shape[1:], dtype=bool) if bad is None else bad,
        np.full(shape[1:], dark),
        raw=signal + 100 if raw is None else raw,
    )


@pytest.mark.parametrize(
    ("lines", "samples", "expected"),
    [
        ((64, 106), (85, 110), ((66, 104), (87, 108))),
        ((0, 14), (0, 14), ((2, 12), (2, 12))),
        ((0, 12), (0, 12), ((1, 11), (1, 11))),
        ((0, 11), (0, 11), ((0, 11), (0, 11))),
        ((0, 3), (0, 200), ((1, 2), (1, 199))),
        ((0, 1), (0, 300), ((0, 1), (0, 300))),
    ],
)
def test_the_core_keeps_a_hundred_pixels_before_it_is_trimmed(lines, samples, expected):
    assert panels.core_window(lines, samples) == expected


@pytest.mark.parametrize(
    ("line_sd", "sample_sd"), [(0.0, 0.0), (20.0, 0.0), (0.0, 20.0), (10.0, 10.0)]
)
def test_the_uncertainty_is_the_scatter_of_repeated_readings(rng, line_sd, sample_sd):
    means, stated = [], []
    for _ in range(150):
        signal = 2000 + rng.normal(0, 15, (LINES, 4, SAMPLES))
        signal += rng.normal(0, line_sd, (LINES, 1, 1)) + rng.normal(0, sample_sd, (1, 4, SAMPLES))
        reading = read(signal)
        means.append(reading.signal)
        stated.append(reading.uncertainty)
    ratio = math.sqrt(np.mean(np.square(stated))) / np.std(means)
    assert 0.85 < ratio < 1.25


def test_smeared_texture_enlarges_the_uncertainty(rng):
    """Texture smeared over 4 x 4 pixels: the plain s/sqrt(n) would be four times too small."""
    means, stated = [], []
    for _ in range(100):
        fine = rng.normal(0, 60, (LINES + 3, 1, SAMPLES + 3))
        smeared = sum(fine[i : i + LINES, :, j : j + SAMPLES] for i in range(4) for j in range(4))
        reading = read(2000 + smeared / 4 + rng.normal(0, 1, (LINES, 3, SAMPLES)))
        means.append(reading.signal)
        stated.append(reading.uncertainty)
    ratio = math.sqrt(np.mean(np.square(stated))) / np.std(means)
    assert 0.7 < ratio < 1.4


def test_the_dark_averages_over_samples_and_not_over_lines(rng):
    reading = read(np.full((LINES, BANDS, SAMPLES), 2000.0), dark=0.5)
    np.testing.assert_allclose(reading.dark_uncertainty, 0.5 / math.sqrt(SAMPLES), rtol=1e-12)
    np.testing.assert_allclose(reading.uncertainty, reading.dark_uncertainty, rtol=1e-12)


def test_saturated_samples_and_bad_elements_are_left_out_and_counted(rng):
    signal = 2000 + rng.normal(0, 5, (LINES, BANDS, SAMPLES))
    saturated = np.zeros(signal.shape, dtype=bool)
    saturated[:4, 2] = True
    bad = np.zeros((BANDS, SAMPLES), dtype=bool)
    bad[3, 5] = True
    bad[4] = True
    spoiled = np.where(saturated | bad, 9e5, signal)
    reading = read(spoiled, saturated=saturated, bad=bad, raw=signal + 100)
    np.testing.assert_allclose(reading.signal[2], signal[4:, 2].mean(), rtol=1e-12)
    expected = np.delete(signal[:, 3], 5, axis=1).mean()
    np.testing.assert_allclose(reading.signal[3], expected, rtol=1e-12)
    assert np.isnan(reading.signal[4])
    assert np.isnan(reading.uncertainty[4])
    assert reading.saturated_share[2] == pytest.approx(0.1)
    assert reading.saturated_share[3] == 0
    assert reading.core.all()
    assert np.isfinite(reading.uncertainty[[2, 3]]).all()


def test_outlying_pixels_are_left_out_of_the_core(rng):
    signal = 2000 * (1 + rng.normal(0, 0.01, (LINES, 1, SAMPLES))) + rng.normal(
        0, 15, (LINES, BANDS, SAMPLES)
    )
    signal[3, :, 4] *= 1.8
    signal[10:12, :, 8] *= 0.3
    reading = read(signal)
    assert reading.outlying == 3
    assert not reading.core[3, 4]
    assert not reading.core[10:12, 8].any()
    np.testing.assert_allclose(reading.signal, 2000, rtol=0.003)


def test_a_pixel_saturated_in_the_bright_bands_is_no_outlier(rng):
    spectrum = np.linspace(200, 3900, BANDS)
    signal = spectrum[:, None] * (1 + rng.normal(0, 0.01, (LINES, 1, SAMPLES)))
    saturated = np.zeros(signal.shape, dtype=bool)
    saturated[7, BANDS // 2 :, 9] = True
    assert read(signal, saturated=saturated).outlying == 0


def test_a_large_shadow_is_kept_and_shows_in_the_uniformity(rng):
    for share in (0.25, 0.5):
        signal = 2000 + rng.normal(0, 20, (LINES, BANDS, SAMPLES))
        signal[: int(share * LINES)] *= 0.5
        reading = read(signal)
        assert reading.outlying == 0
        assert (reading.uniformity > 0.15).all()


@pytest.mark.parametrize("level", [20.0, 200, 2000])
def test_noise_alone_is_uniform(rng, level):
    signal = level + rng.normal(0, 20, (12, 200, 12))
    assert np.median(read(signal).uniformity) < 0.005


def test_a_gradient_shows_in_the_uniformity(rng):
    ramp = 1 + 0.1 * np.linspace(-1, 1, LINES)[:, None, None]
    reading = read(2000 * ramp + rng.normal(0, 20, (LINES, BANDS, SAMPLES)))
    np.testing.assert_allclose(reading.uniformity, 0.1 / math.sqrt(3), rtol=0.1)


def test_the_peak_is_the_largest_band_mean_of_the_raw_counts():
    signal = np.ones((12, 3, 12)) * np.array([[100.0], [3000], [50]])
    assert read(signal).peak_counts == pytest.approx(3100)


def test_nothing_measured_gives_nan_without_a_warning():
    reading = read(np.full((12, 2, 12), np.nan))
    assert np.isnan(reading.signal).all()
    assert np.isnan(reading.uncertainty).all()


@pytest.mark.parametrize("shape", [(1, 3, 150), (150, 3, 1), (1, 3, 1), (2, 3, 2)])
def test_thin_cores_are_read(rng, shape):
    reading = read(2000 + rng.normal(0, 20, shape), dark=0.5)
    assert np.isfinite(reading.signal).all()
    assert (reading.uncertainty > 0).all()
    assert (reading.uniformity < 0.02).all()


def test_does_not_change_input(rng):
    signal = 2000 + rng.normal(0, 20, (12, 3, 12))
    signal[0, 0, 0] = np.nan
    saturated, bad = np.zeros(signal.shape, dtype=bool), np.zeros((3, 12), dtype=bool)
    kept = signal.copy()
    panels.read_panel(signal, saturated, bad, np.ones((3, 12)), raw=signal)
    np.testing.assert_array_equal(signal, kept)
    assert not saturated.any()
    assert not bad.any()
