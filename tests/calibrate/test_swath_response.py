"""A falloff in a flight: corrected from the scene, or carried by samples and panels alike."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.assess.flight_checks import before_cubes
from pipeline.calibrate.prepare import prepare
from pipeline.calibrate.swath_response import (
    scene_response,
    unseen_falloff,
    with_elements,
    with_response_error,
)
from pipeline.config.flight import load_config
from pipeline.errors import CalibrationError, ConfigError
from pipeline.radiometry.response import ORDERS, SwathShape, modes, response_of
from pipeline.records import FlatField, PanelReading

BANDS, SAMPLES = 3, 40
NO = np.zeros((BANDS, SAMPLES), np.bool_)


def shape(error: float = 0.002, strips: int = 5) -> SwathShape:
    value = np.zeros((BANDS, ORDERS))
    value[:, 1] = -0.1
    return SwathShape(value, np.full(ORDERS, error), value[0], np.full(ORDERS, error), strips)


def reading() -> PanelReading:
    one = np.ones(BANDS)
    return PanelReading(
        panel="p", cube="strip-00", lines=(0, 5), samples=(0, 4), core=np.ones((5, 4), bool),
        time_s=0.0, signal=1000 * one, uncertainty=3 * one, dark_uncertainty=0 * one,
        saturated_share=0 * one, uniformity=0 * one, peak_counts=1000.0,
    )  # fmt: skip


def test_what_the_strips_see_is_in_samples_and_panels_alike() -> None:
    flat = unseen_falloff(shape(), NO)
    seen = np.array([0, -np.sqrt(0.1**2 - 0.002**2), 0, 0])
    size = np.abs(response_of(seen, SAMPLES) - 1)
    np.testing.assert_allclose(flat.uncertainty, np.broadcast_to(size, NO.shape), rtol=1e-5)
    assert (flat.response == 1).all()
    assert flat.smooth
    told = with_response_error(reading(), flat)
    np.testing.assert_allclose(told.uncertainty, np.hypot(3, 1000 * size[:4].mean()), rtol=1e-5)


def test_what_they_do_not_agree_on_is_no_falloff() -> None:
    assert not unseen_falloff(shape(error=0.08), NO).uncertainty.any()


def test_the_scenes_response_has_the_strips_scatter() -> None:
    bad = NO.copy()
    bad[1, 3] = True
    flat = scene_response(shape(), bad)
    wanted = np.exp(-0.1 * modes(SAMPLES)[1])
    np.testing.assert_allclose(flat.response[0], wanted / wanted.mean(), rtol=1e-6)
    np.testing.assert_allclose(flat.response[0].mean(), 1, atol=1e-6)
    assert (flat.response[1, 3], flat.uncertainty[1, 3]) == (1, 0)
    error = 0.002 * np.sqrt((modes(SAMPLES) ** 2).sum(axis=0)) * flat.response[0]
    np.testing.assert_allclose(flat.uncertainty[0], error, rtol=1e-5)
    elements = FlatField(np.ones(NO.shape, np.float32), np.full(NO.shape, 0.004, np.float32))
    both = with_elements(flat, elements)
    wanted = np.hypot(flat.uncertainty[0], 0.004 * flat.response[0])
    np.testing.assert_allclose(both.uncertainty[0], wanted, rtol=1e-5)


def test_one_strip_is_refused_with_what_to_do() -> None:
    with pytest.raises(CalibrationError, match="two strips"):
        scene_response(replace(shape(), strips=0), NO)


@pytest.mark.parametrize(
    ("text", "message"),
    [('response = "flat"', "give flight.flat"), ('response = "lens"', "response")],
)
def test_a_config_that_cannot_be_is_refused(plain_copy: Any, text: str, message: str) -> None:
    plain_copy.edit("[calibration]", f"[calibration]\n{text}")
    with pytest.raises(ConfigError, match=message):
        load_config(plain_copy.config)


def test_the_row_speaks_of_a_falloff_and_falls_silent_once_it_is_corrected(
    tmp_path: Any, make_flight_in: Any
) -> None:
    flight = make_flight_in(tmp_path / "flight", cubes=4, lines=600, samples=48, vignetting=0.3)

    def row() -> Any:
        found = before_cubes(prepare(load_config(flight.config)))
        return next(check for check in found if check.check == "falloff")

    before = row()
    assert before.value > 0.05
    flight.edit("[calibration]", '[calibration]\nresponse = "scene"')
    after = row()
    assert after.value < before.value / 3
    assert after.verdict == "pass"
