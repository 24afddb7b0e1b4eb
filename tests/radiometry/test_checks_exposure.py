"""Checks of the exposure: a pass, a caution or fail, and what is not checked, for each."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.radiometry.checks import exposure
from pipeline.radiometry.limits import LIMITS
from pipeline.records import Check

NAN = float("nan")
NONE, SOME, ALL = np.zeros(4), np.array([0, 0.1, 0, 0]), np.ones(4)
HALF = np.array([NAN, 1, 1, 1])

CASES = [
    (exposure.panel_peak({"a": 900.0, "b": 3200.0}, 4095), "pass", 3200 / 4095),
    (exposure.panel_peak({"a": 2500.0}, 4095), "caution", 2500 / 4095),
    (exposure.panel_peak({"a": 3900.0}, 4095), "caution", 3900 / 4095),
    (exposure.panel_peak({"a": 300.0}, 4095), "fail", 300 / 4095),
    (exposure.panel_peak({"a": NAN}, 4095), "not checked", None),
    (exposure.panel_saturated({"a": NONE, "b": NONE}), "pass", 0),
    (exposure.panel_saturated({"a": NONE, "b": SOME}), "caution", 1),
    (exposure.panel_saturated({"a": NONE, "b": ALL}), "caution", 4),
    (exposure.panel_saturated({"a": ALL, "b": HALF}), "fail", 4),
    (exposure.panel_saturated({}), "not checked", None),
    (exposure.panel_saturated({"a": NAN * ALL}), "not checked", None),
    (exposure.scene_saturated([0, 1, 0, 0], [100] * 4), "pass", 1 / 400),
    (exposure.scene_saturated([0, 10, 0, 0], [100] * 4), "caution", 10 / 400),
    (exposure.scene_saturated(100, 400), "fail", 0.25),
    (exposure.scene_saturated(None, 400), "not checked", None),
    (exposure.scene_saturated(0, 0), "not checked", None),
    (exposure.scene_low_signal([20.0, 10.0, 300.0]), "pass", 0),
    (exposure.scene_low_signal([2.0, 9.0, 300.0]), "caution", 2),
    (exposure.scene_low_signal([2.0, 9.0, NAN]), "fail", 2),
    (exposure.scene_low_signal([20.0, 10.0, 300.0], flagged_below=1e30), "fail", 3),
    (exposure.scene_low_signal([20.0, 10.0, 300.0], flagged_below=3.0), "pass", 0),
    (exposure.scene_low_signal([NAN]), "not checked", None),
    (exposure.scene_low_signal(None), "not checked", None),
    (exposure.noise_model(5.4, 5.2, standard_error=0.1), "pass", 5.4 / 5.2),
    (exposure.noise_model(8.0, 5.2), "caution", 8.0 / 5.2),
    (exposure.noise_model(5.4, None), "not checked", None),
    (exposure.noise_model(-1.0, 5.2), "not checked", None),
    (exposure.noise_model(None, 5.2), "not checked", None),
]


@pytest.mark.parametrize(
    ("check", "verdict", "value"),
    CASES,
    ids=[f"{c.check}-{i}" for i, (c, _, _) in enumerate(CASES)],
)
def test_verdict_and_value(check: Check, verdict: str, value: float | None) -> None:
    assert check.verdict == verdict, check.says
    assert check.value == (None if value is None else pytest.approx(value))
    assert check.says.endswith(".")
    assert (check.do == "") == (verdict == "pass") or verdict == "not checked"


def test_advice_goes_the_right_way() -> None:
    assert "Lengthen" in exposure.panel_peak({"a": 2000.0}, 4095).do
    assert "Shorten" in exposure.panel_peak({"a": 4000.0}, 4095).do


@pytest.mark.parametrize(
    ("full_scale_counts", "aim"),
    # 12 bits: common practice, no source, as the table of limits has it.
    [(4095, "3000 to 3500 counts"), (65535, "48000 to 56000 counts"), (1023, "750 to 870 counts")],
)
def test_advice_is_in_the_round_counts_of_the_table(full_scale_counts: float, aim: str) -> None:
    check = exposure.panel_peak({"a": 0.98 * full_scale_counts}, full_scale_counts)
    assert f"peaks at {aim}." in check.do
    if full_scale_counts == 4095:
        assert aim.removesuffix(" counts") in LIMITS["panel-peak"].do


def test_lost_bands_are_named_by_wavelength() -> None:
    nm = np.array([400.0, 500.0, 600.0, 700.0])
    check = exposure.panel_saturated({"a": [0, 1, 1, 0]}, wavelength_nm=nm)
    assert "500 to 600 nm" in check.says
    assert "no fit panel is left in 2 bands" in check.says


def test_low_bands_say_which_are_unusable() -> None:
    check = exposure.scene_low_signal([2.0, 9.0, 30.0], wavelength_nm=np.array([400.0, 402, 404]))
    assert "400 to 402 nm" in check.says
    assert "1 below 3 times, unusable (400 nm)" in check.says
    assert check.fail == 3


def test_the_exposure_to_set_next_is_a_number() -> None:
    """0.79 of 4095 is 3235: 3135 of light where there were 3500, a hundred being dark."""
    check = exposure.panel_peak({"a": 3600.0}, 4095, dark_counts=100.0, exposure_ms=2.4)
    assert "Shorten the exposure 0.90 times, from 2.4 to 2.15 ms" in check.do
    check = exposure.panel_peak({"a": 4095.0}, 4095, saturation_counts=4000.0)
    assert "0.79 times or less" in check.do
