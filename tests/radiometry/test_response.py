"""A falloff that strips share, and ground that they do not. Common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.radiometry.response import (
    LEAST_SAMPLES,
    ORDERS,
    line_shape,
    modes,
    projector,
    swath_shape,
)

BANDS, SAMPLES, LINES = 12, 80, 48
PLACE = (np.arange(SAMPLES) + 0.5) / SAMPLES * 2 - 1
NO = np.zeros((BANDS, SAMPLES), np.bool_)


def strips(seed: int, count: int, loss: float, texture: float = 0.1) -> list[NDArray[np.float32]]:
    """Shapes of strips whose ground has gradients and objects of its own."""
    rng = np.random.default_rng(seed)
    response = 1 - loss * PLACE**2
    through = projector(NO)
    made = []
    for _ in range(count):
        ground = 1 + rng.normal(0, texture / 3, 3) @ np.stack([PLACE, PLACE**2, PLACE**3])
        lines = []
        for _ in range(LINES):
            objects = 1 + texture * np.convolve(
                rng.standard_normal(SAMPLES), np.ones(9) / 3, "same"
            )
            level = rng.uniform(200, 1500, (BANDS, 1))
            lines.append(line_shape(level * ground * objects * response, through))
        made.append(np.stack(lines))
    return made


def test_a_line_of_known_shape_is_numpys_own_fit() -> None:
    signal = np.random.default_rng(1).uniform(50, 900, (BANDS, SAMPLES))
    bad = np.random.default_rng(2).random((BANDS, SAMPLES)) < 0.1
    found = line_shape(np.where(bad, 9e9, signal) * ~bad, projector(bad))
    design = np.concatenate([np.ones((1, SAMPLES)), modes(SAMPLES)]).T
    for band in range(BANDS):
        good = ~bad[band]
        terms = np.linalg.lstsq(design[good], signal[band, good], rcond=None)[0]
        np.testing.assert_allclose(found[band], terms[1:] / terms[0], rtol=2e-4, atol=2e-5)


def test_modes_leave_the_mean_alone() -> None:
    np.testing.assert_allclose(modes(33).mean(axis=1), 0, atol=1e-15)
    assert modes(33).shape == (ORDERS, 33)


@pytest.mark.parametrize("samples", [1, LEAST_SAMPLES - 1])
def test_a_narrow_swath_and_a_dark_band_tell_nothing(samples: int) -> None:
    narrow = projector(np.zeros((2, samples), np.bool_))
    assert not narrow.any()
    assert np.isnan(line_shape(np.ones((2, samples)), narrow)).all()
    assert np.isnan(line_shape(np.zeros((BANDS, SAMPLES)), projector(NO))).all()
    assert swath_shape([np.full((3, 2, ORDERS), np.nan, np.float32)]).strips == 0


def test_ten_strips_give_a_thirteen_per_cent_falloff_within_one_per_cent() -> None:
    off, z = [], []
    wanted = 1 - 0.13 * PLACE**2
    wanted = wanted / wanted.mean() - 1
    for seed in range(30):
        shape = swath_shape(strips(seed, 10, 0.13, texture=0.06))
        across = modes(SAMPLES)
        error = np.sqrt(shape.by_band_error**2 @ across**2)
        departure = shape.by_band @ across - wanted
        off.append(np.sqrt((departure**2).mean()))
        z.append(((departure / error) ** 2).mean())
    assert np.mean(off) < 0.01
    assert 0.6 < np.mean(z) < 1.4


def test_without_a_falloff_none_is_seen_as_often_as_chance_has_it() -> None:
    seen = [np.abs(swath_shape(strips(seed, 4, 0.0)).seen).max() > 0 for seed in range(60)]
    # Four orders beyond 1.5 standard errors, two-sided: 43 % if they are independent and normal.
    assert 0.1 < np.mean(seen) < 0.6
    found = swath_shape(strips(1, 4, 0.15))
    assert found.seen[1] == pytest.approx(-0.1 / 0.95, rel=0.5)


def test_one_strip_alone_tells_nothing_for_sure() -> None:
    shape = swath_shape(strips(1, 1, 0.13))
    assert np.isinf(shape.common_error).all()
    assert not shape.seen.any()


def test_does_not_change_input() -> None:
    signal, bad = np.ones((BANDS, SAMPLES)), NO.copy()
    signal[0, 0] = np.nan
    before = signal.copy()
    shapes = [line_shape(signal, projector(bad))[None]]
    kept = shapes[0].copy()
    swath_shape(shapes)
    np.testing.assert_array_equal(signal, before)
    np.testing.assert_array_equal(shapes[0], kept)
    assert not bad.any()
