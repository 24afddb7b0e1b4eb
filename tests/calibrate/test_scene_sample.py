"""What the thin lines of a strip say."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.calibrate.scene_sample import sample_scene, thin_columns
from pipeline.config.flight import load_config
from pipeline.read.inventory import take_inventory


def described(flight: Any) -> Any:
    return take_inventory(load_config(flight.config)).cubes[0]


def net(capture: Any, lines: Any, counts: Any) -> Any:
    return counts.astype(np.float32) - np.float32(100)


def test_statistics_are_those_of_the_lines_that_were_read(plain_flight: Any) -> None:
    sample = sample_scene(described(plain_flight), net, 4000)
    lines = plain_flight.counts(sample.cube)[sample.lines].astype(np.float64) - 100
    np.testing.assert_allclose(sample.mean, lines.mean(axis=0), rtol=1e-5)
    np.testing.assert_allclose(sample.temporal_sd, lines.std(axis=0, ddof=1), rtol=1e-3)
    np.testing.assert_allclose(sample.line_spectrum, lines.mean(axis=2), rtol=1e-5)
    assert sample.lines[0] == 0
    assert sample.lines[-1] == plain_flight.plan.lines - 1


def test_thin_pixels_lie_line_after_line(plain_flight: Any) -> None:
    sample = sample_scene(described(plain_flight), net, 4000)
    a_line = len(sample.thin) // sample.lines.size
    lines = plain_flight.counts(sample.cube)[sample.lines].astype(np.float32) - 100
    for i in (0, 7):
        part = sample.thin[i * a_line : (i + 1) * a_line]
        np.testing.assert_array_equal(part.T, lines[i, :, :: 64 // a_line])


@pytest.mark.parametrize("least", [400, 401, 402])
def test_saturation_begins_at_its_count(plain_flight: Any, least: int) -> None:
    sample = sample_scene(described(plain_flight), net, least)
    lines = plain_flight.counts(sample.cube)[sample.lines]
    assert (lines == least).any()
    np.testing.assert_allclose(sample.saturated, (lines >= least).mean(axis=(0, 2)), rtol=1e-12)


def test_a_pixel_with_a_saturated_band_is_not_clear(plain_flight: Any) -> None:
    sample = sample_scene(described(plain_flight), net, 900)
    lines = plain_flight.counts(sample.cube)[sample.lines]
    columns = thin_columns(64)
    np.testing.assert_array_equal(sample.clear, (lines[:, :, columns] < 900).all(axis=1))
    assert 0 < sample.clear.mean() < 1
    np.testing.assert_array_equal(sample.pixels.signal[3, 5], lines[3, :, columns[5]] - 100)
