"""Bad elements: nearly all found, hardly a good one lost, on simulated detectors."""

import warnings

import numpy as np
import pytest

from pipeline.radiometry import elements
from pipeline.records import BadElements, DarkCapture

BANDS, SAMPLES, EACH = 100, 320, 60


@pytest.fixture
def rng():
    return np.random.default_rng(20260612)


def dark_capture(mean, noise, frames=1000, clipped=None):
    clipped = mean <= 0 if clipped is None else clipped
    return DarkCapture(
        "cap",
        0.0,
        frames,
        frames,
        mean.astype(np.float32),
        noise.astype(np.float32),
        np.zeros(frames),
        clipped,
    )


def simulated_dark(rng, *, pattern, read_noise, frames):
    """A detector with its faults: (dark capture, hot, noisy, stuck as flat indices)."""
    sample = np.arange(SAMPLES)
    mean = 100 + rng.normal(0, pattern, (BANDS, SAMPLES)) + 5 * np.sin(sample / 50)
    mean += np.linspace(0, 8, BANDS)[:, None] + rng.normal(0, 2, SAMPLES)
    noise = np.full((BANDS, SAMPLES), float(read_noise))
    hot, noisy, stuck = rng.permutation(BANDS * SAMPLES)[: 3 * EACH].reshape(3, EACH)
    mean.ravel()[hot] += rng.uniform(30, 2000, EACH)
    noise.ravel()[noisy] *= rng.uniform(3, 10, EACH)
    noise.ravel()[stuck] = 0
    mean.ravel()[stuck] = rng.uniform(0, 4000, EACH)
    seen = np.sqrt(noise**2 * rng.chisquare(frames - 1, noise.shape) / (frames - 1) + 1 / 12)
    seen[noise == 0] = 0
    seen_mean = mean + noise / np.sqrt(frames) * rng.normal(size=mean.shape)
    return dark_capture(seen_mean, seen, frames), hot, noisy, stuck


@pytest.mark.parametrize("frames", [30, 100, 1000])
@pytest.mark.parametrize(("pattern", "read_noise"), [(2, 2), (5, 2), (2, 5), (5, 5)])
def test_faults_in_the_dark_are_found_and_good_elements_kept(rng, pattern, read_noise, frames):
    capture, hot, noisy, stuck = simulated_dark(
        rng, pattern=pattern, read_noise=read_noise, frames=frames
    )
    bad = elements.bad_in_dark(capture)
    faulty = np.zeros(BANDS * SAMPLES, dtype=bool)
    faulty[np.concatenate([hot, noisy, stuck])] = True
    assert bad.hot.ravel()[hot].mean() >= 0.95
    assert bad.noisy.ravel()[noisy].mean() >= 0.95
    assert bad.stuck.ravel()[stuck].mean() >= 0.95
    assert bad.any.ravel()[~faulty].mean() <= 0.001
    assert not bad.dead.any()


def test_a_hot_sample_is_hot_in_all_bands(rng):
    mean = 100 + rng.normal(0, 3, (BANDS, SAMPLES))
    mean[:, 50] += 200
    bad = elements.bad_in_dark(dark_capture(mean, np.full(mean.shape, 3.0)))
    assert bad.hot[:, 50].all()
    assert bad.hot.sum() == BANDS


def test_offsets_of_whole_samples_do_not_hide_a_hot_element(rng):
    offset = rng.normal(0, 5, SAMPLES)
    offset[50] = 0
    mean = 100 + rng.normal(0, 1, (BANDS, SAMPLES)) + offset
    mean[7, 50] += 20
    bad = elements.bad_in_dark(dark_capture(mean, np.full(mean.shape, 3.0)))
    assert np.argwhere(bad.hot).tolist() == [[7, 50]]


def test_elements_clipped_at_zero_are_not_stuck():
    mean = np.full((4, 60), 0.5)
    noise = np.full((4, 60), 0.8)
    mean[1, 20], noise[1, 20] = 0.0, 0.0  # a little darker than the rest: always at zero
    clipped = np.ones(mean.shape, dtype=bool)
    assert not elements.bad_in_dark(dark_capture(mean, noise, clipped=clipped)).stuck.any()
    assert elements.bad_in_dark(dark_capture(mean + 100, noise)).stuck.sum() == 1


def test_no_noise_anywhere_or_too_few_frames_makes_nothing_stuck():
    mean = np.full((4, 60), 100.0)
    assert not elements.bad_in_dark(dark_capture(mean, np.zeros(mean.shape))).any.any()
    noise = np.full(mean.shape, 0.5)
    noise[2, 30] = 0.0
    assert not elements.bad_in_dark(dark_capture(mean, noise, frames=5)).stuck.any()
    assert elements.bad_in_dark(dark_capture(mean, noise, frames=100)).stuck.sum() == 1


def scene(rng):
    """Mean signal of a heterogeneous scene: plants, soil, water; two absorption bands; shading."""
    nm = np.linspace(400, 1000, BANDS)
    plants = 0.05 + 0.4 / (1 + np.exp(-(nm - 715) / 12))
    soil = 0.1 + 0.3 * (nm - 400) / 600
    water = 0.04 * np.exp(-(nm - 400) / 200)
    mix = np.cumsum(rng.normal(0, 0.1, (3, SAMPLES)), axis=1) + rng.normal(0, 0.1, (3, SAMPLES))
    mix = np.clip(mix + 0.5, 0.02, None)
    mix /= mix.sum(axis=0)
    mix[:, 200:220] = [[0], [0], [1]]
    lamp = 3500 * np.exp(-(((nm - 620) / 160) ** 2))
    lamp *= 1 - 0.7 * np.exp(-(((nm - 760.5) / 3) ** 2))
    lamp *= 1 - 0.5 * np.exp(-(((nm - 940) / 15) ** 2))
    return lamp[:, None] * (np.stack([plants, soil, water], axis=1) @ mix)


def test_dead_elements_are_found_in_a_heterogeneous_scene(rng):
    ideal = scene(rng)
    response = 1 + rng.normal(0, 0.015, ideal.shape)
    dead = np.zeros(ideal.shape, dtype=bool)
    dead.ravel()[rng.permutation(dead.size)[:150]] = True
    dead[50:52, 100] = True  # two bands of one sample
    dead[30, 150:152] = True  # two samples of one band
    dead[:, 60] = True  # a whole sample
    response[dead] = rng.uniform(0, 0.2, int(dead.sum()))
    signal = ideal * response + rng.normal(0, 0.3, ideal.shape)
    kept = signal.copy()
    found, stuck = elements.bad_in_light(signal)
    decided = ideal > 2 * elements.LEAST_SIGNAL_COUNTS
    assert found[dead & decided].mean() >= 0.95
    assert found[~dead].mean() <= 0.001
    assert found[50:52, 100].all()
    assert found[30, 150:152].all()
    assert found[:, 60][decided[:, 60]].all()
    assert not stuck.any()
    np.testing.assert_array_equal(signal, kept)


def test_low_signal_decides_nothing(rng):
    signal = rng.normal(1.0, 0.5, (20, 60))
    signal[5, 5] = -1
    assert not elements.bad_in_light(signal)[0].any()


def test_an_element_stuck_in_light_only_is_found(rng):
    signal = rng.normal(1000, 10, (20, 60))
    spread = rng.normal(40, 2, (20, 60))
    spread[7, 30] = 0.0
    _, stuck = elements.bad_in_light(signal, temporal_sd=spread)
    assert np.argwhere(stuck).tolist() == [[7, 30]]
    assert not elements.bad_in_light(signal, temporal_sd=spread * 0.01)[1].any()


def test_parts_are_united_kind_by_kind():
    none = np.zeros((1, 2), dtype=bool)
    one = np.array([[True, False]])
    united = elements.merge(
        BadElements(hot=one, dead=none, stuck=none, noisy=none),
        BadElements(hot=none, dead=one, stuck=none, noisy=none),
    )
    assert united.hot.tolist() == united.dead.tolist() == [[True, False]]
    assert not united.stuck.any()


def test_the_running_median_passes_over_nan_and_shifts_at_edges():
    values = np.array([[1.0, np.nan, 3, 4, 100, 6, 7]])
    np.testing.assert_allclose(
        elements.running_median(values, 3), [[2, 2, 3.5, 4, 6, 7, 7]], atol=1e-12
    )


@pytest.mark.parametrize("window", [1, 2, 5, 21, 40])
def test_the_running_median_is_numpys_of_each_window(window: int) -> None:
    rng = np.random.default_rng(window)
    values = rng.integers(0, 9, (6, 30)).astype(np.float32)  # ties
    values[rng.random(values.shape) < 0.2] = np.nan
    values[4] = np.nan
    values[5] = np.inf
    width = min(window, 30)
    starts = np.clip(np.arange(30) - width // 2, 0, 30 - width)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a window of NaN alone
        wanted = np.stack([np.nanmedian(values[:, a : a + width], axis=1) for a in starts], axis=1)
    np.testing.assert_array_equal(elements.running_median(values, window), wanted)
