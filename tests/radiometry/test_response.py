"""A falloff that pixels of like spectra share, whatever the ground. Common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.radiometry.response import (
    LEAST_SAMPLES,
    ORDERS,
    StripPixels,
    SwathShape,
    end_falloff,
    modes,
    nothing_known,
    response_of,
    swath_shape,
)

BANDS, SAMPLES, LINES = 12, 80, 48
COLUMNS = np.arange(0, SAMPLES, 2)
PLACE = (np.arange(SAMPLES) + 0.5) / SAMPLES * 2 - 1
NO = np.zeros((BANDS, COLUMNS.size), np.bool_)
#: Four materials, each with a spectrum of its own, some twice as bright as others.
MATERIALS = np.random.default_rng(5).uniform(0.3, 1, (4, BANDS)) * [[300], [700], [1200], [500]]


def smooth(rng: np.random.Generator, grain: int) -> np.ndarray:
    """Noise of unit spread and the given grain, (line, sample)."""
    coarse = rng.standard_normal((LINES // grain + 2, SAMPLES // grain + 2))
    return np.kron(coarse, np.ones((grain, grain)))[:LINES, :SAMPLES]


def strips(seed: int, count: int, loss: float, texture: float = 0.1) -> list[StripPixels]:
    """Strips over fields of different materials, whose brightness varies within them."""
    rng = np.random.default_rng(seed)
    response = 1 - loss * PLACE**2
    made = []
    for _ in range(count):
        which = np.clip((smooth(rng, 12) + 2).astype(int), 0, 3)
        bright = np.exp(texture * smooth(rng, 5))
        signal = (MATERIALS[which] * (bright * response)[..., None])[:, COLUMNS]
        signal = signal + 3 * rng.standard_normal(signal.shape)
        made.append(StripPixels(signal.astype(np.float32), np.ones(signal.shape[:2], bool)))
    return made


def shape_of(pixels: list[StripPixels]) -> SwathShape:
    return swath_shape(pixels, COLUMNS, SAMPLES, NO)


def test_modes_leave_the_mean_alone() -> None:
    np.testing.assert_allclose(modes(33).mean(axis=1), 0, atol=1e-15)
    assert modes(33).shape == (ORDERS, 33)
    np.testing.assert_allclose(response_of(np.array([0.1, -0.2, 0, 0]), 33).mean(), 1)


def test_ten_strips_give_a_thirteen_per_cent_falloff_within_one_per_cent() -> None:
    off, z = [], []
    wanted = 1 - 0.13 * PLACE**2
    wanted = wanted / wanted.mean()
    for seed in range(30):
        shape = shape_of(strips(seed, 10, 0.13))
        error = np.sqrt(shape.by_band_error**2 @ modes(SAMPLES) ** 2)
        departure = response_of(shape.by_band, SAMPLES) / wanted - 1
        off.append(np.sqrt((departure**2).mean()))
        z.append(((departure / error) ** 2).mean())
    assert np.mean(off) < 0.01
    assert 0.5 < np.mean(z) < 1.4


def test_the_ground_itself_is_no_falloff() -> None:
    """Sand at one end of every strip and water at the other: the spectra tell them apart."""
    rng = np.random.default_rng(9)
    made = []
    for _ in range(4):
        which = np.where(PLACE + 0.5 * smooth(rng, 12) > 0, 2, 0)
        signal = (MATERIALS[which] * np.exp(0.1 * smooth(rng, 5))[..., None])[:, COLUMNS]
        made.append(StripPixels(signal.astype(np.float32), np.ones(signal.shape[:2], bool)))
    shape = shape_of(made)
    departure = np.abs(response_of(shape.common, SAMPLES) - 1)
    assert (departure < 3 * np.sqrt(shape.common_error**2 @ modes(SAMPLES) ** 2)).all()
    assert departure.max() < 0.05


def test_grey_targets_of_any_grey_are_no_falloff() -> None:
    """A third of each strip's lines see a white and a black target, always at the same samples."""
    found = []
    for seed in range(12):
        pixels = strips(seed, 2, 0.0)
        for one in pixels:
            one.signal[:16, 4:16] = 90 + np.random.default_rng(seed).normal(0, 3, (16, 12, 1))
            one.signal[:16, 18:30] = 1500
        shape = shape_of(pixels)
        found.append(shape.common / shape.common_error)
    # A third of all pixels pull one way, and by less than one standard error of a flight.
    assert (np.abs(np.mean(found, axis=0)) < 1).all()


def test_without_a_falloff_none_is_seen_as_often_as_chance_has_it() -> None:
    seen = [np.abs(shape_of(strips(seed, 4, 0.0)).seen).max() > 0 for seed in range(60)]
    # One order beyond 1.5 standard errors and three beyond 2.5, two-sided: 17 % if they are
    # independent and normal.
    assert 0.05 < np.mean(seen) < 0.35
    found = response_of(shape_of(strips(1, 4, 0.15)).seen, SAMPLES)
    wanted = 1 - 0.15 * PLACE**2
    np.testing.assert_allclose(found, wanted / wanted.mean(), atol=0.02)


def test_one_strip_tells_nothing_and_few_tell_less() -> None:
    assert not shape_of(strips(1, 1, 0.13)).known
    two, ten = shape_of(strips(1, 2, 0.13)), shape_of(strips(1, 10, 0.13))
    assert (two.common_error > 1.3 * ten.common_error).all()


def test_bad_elements_and_saturated_pixels_are_no_ground() -> None:
    pixels = strips(3, 4, 0.13)
    bad = NO.copy()
    bad[[0, 5, 11], [0, 10, 20]] = True
    bad[3:5, 30] = True
    broken = [StripPixels(p.signal.copy(), p.clear.copy()) for p in pixels]
    for one in broken:
        one.signal[:, bad.T] = 1e6
        one.signal[:10, :3] = 4000
        one.clear[:10, :3] = False
    found = swath_shape(broken, COLUMNS, SAMPLES, bad)
    np.testing.assert_allclose(found.common, shape_of(pixels).common, atol=0.01)


@pytest.mark.parametrize("columns", [1, LEAST_SAMPLES - 1])
def test_a_narrow_swath_and_a_dark_scene_tell_nothing(columns: int) -> None:
    few = [StripPixels(p.signal[:, :columns], p.clear[:, :columns]) for p in strips(1, 3, 0.1)]
    narrow = swath_shape(few, COLUMNS[:columns], SAMPLES, NO[:, :columns])
    assert not narrow.known
    assert not narrow.seen.any()
    dark = [StripPixels(0 * p.signal, p.clear) for p in strips(1, 3, 0.1)]
    assert not shape_of(dark).known
    blind = [StripPixels(p.signal, p.clear & False) for p in strips(1, 3, 0.1)]
    assert not shape_of(blind).known


def test_does_not_change_input() -> None:
    pixels, bad = strips(1, 2, 0.1), NO.copy()
    bad[2, 2] = True
    kept = [p.signal.copy() for p in pixels]
    swath_shape(pixels, COLUMNS, SAMPLES, bad)
    for before, after in zip(kept, pixels, strict=True):
        np.testing.assert_array_equal(before, after.signal)


def test_the_ends_falloff_is_what_was_divided_out_and_what_is_left() -> None:
    # A lens that loses 8 % at the ends, half of it (in logarithms) in the response that was used.
    samples, bands = 101, 3
    order_2 = np.array([0.0, np.log(0.92) / 2 / 1.5, 0.0, 0.0])  # P2 runs from -1/2 to 1
    used = np.tile(response_of(order_2, samples), (bands, 1)).astype(np.float32)
    error = np.array([0.0, 0.01, 0.0, 0.0])
    shape = SwathShape(np.zeros((bands, 4)), error, order_2, error, 4)
    bad = np.zeros((bands, samples), np.bool_)
    bad[1, 7] = True
    value, u = end_falloff(shape, used, bad)
    assert value == pytest.approx(-0.08, abs=2e-3)  # the outer samples' centres are inside the ends
    assert u == pytest.approx(0.92 * 1.5 * 0.01, rel=0.03)
    assert np.isnan(end_falloff(nothing_known(bands), used, bad)).all()
