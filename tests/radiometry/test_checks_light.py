"""Checks of light and flight: a pass, a caution or fail, and what is not checked, for each."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.radiometry.checks import light
from pipeline.records import Check

NAN = float("nan")
LOG = np.arange(0.0, 200.0)
LINES = np.arange(10.0, 190.0, 0.05)
# The second around a line touches the drop between 99 and 100 s for two seconds, less the ends
# where it moves by less than 1 %.
STEADY = 800 + 0.1 * LOG
EDGE = (np.array([0.0, 100.0, 100.1, 199.0]), np.array([1.0, 1.0, 0.9, 0.9]))
CLOUD = np.where(LOG < 100, 800.0, 500.0)

SECOND = np.random.default_rng(3).standard_normal(2000)
TENTHS = np.arange(0.0, 200.0, 0.1)
NONE_SEEN = np.zeros(100, bool)
TEN_SEEN = np.arange(100) >= 90
AWAY = np.where(TEN_SEEN, 120.0, 0.0)
U = np.where(TEN_SEEN, 0.03, 0.001)

CASES = [
    (light.illumination([1.0, 1.01, 0.99, NAN]), "pass", 0.02),
    (light.illumination([0.92, 1.0, 1.08]), "caution", 0.16),
    (light.illumination([0.5, 1.0, 1.0]), "fail", 0.6),
    (light.illumination([0.5, 1.0, 1.0], corrected=True), "pass", 0.6),
    (light.illumination(None), "not checked", None),
    (light.illumination([0.0, 0.0]), "not checked", None),
    (light.illumination_steps(LINES, LOG, STEADY), "pass", 0),
    (light.illumination_steps(LINES, LOG, CLOUD), "caution", 1.95 / 180),
    # Half a percent a second is below the limit, whatever it adds up to.
    (light.illumination_steps(LINES, LOG, 800 * np.exp(0.005 * LOG)), "pass", 0),
    # A tenth lost from 100 to 100.1 s: the lines from 99.55 to 100.55 s see more than 1 % of it.
    (light.illumination_steps(LINES, *EDGE), "pass", 21 / 3600),
    # Ten entries a second of 0.5 and of 2 % noise under a steady light, and under a cloud's edge.
    (light.illumination_steps(LINES, TENTHS, 800 * (1 + 0.005 * SECOND)), "pass", 0),
    (light.illumination_steps(LINES, TENTHS, 800 * (1 + 0.02 * SECOND)), "pass", 0),
    (
        light.illumination_steps(
            LINES, TENTHS, np.where(TENTHS % 20 < 10, 800, 500) * (1 + 0.005 * SECOND)
        ),
        "caution",
        18 * 1.05 / 180,  # 17 edges and two halves, each seen for a second and half a step
    ),
    (light.illumination_known(NONE_SEEN, AWAY, U), "pass", 0),
    (light.illumination_known(TEN_SEEN, AWAY, U), "caution", 0.1),
    (light.illumination_known(NONE_SEEN, AWAY, U, panels_seen=False), "caution", 0),
    (light.illumination_known(None, None, None), "not checked", None),
    (light.illumination_steps(NAN * LINES, LOG, STEADY), "not checked", None),
    (light.illumination_steps(LINES, None, None), "not checked", None),
    (light.illumination_steps(LINES + 500, LOG, STEADY), "not checked", None),
    (light.sun_elevation([55.0, 40.0]), "pass", 40),
    (light.sun_elevation([55.0, 22.0]), "caution", 22),
    (light.sun_elevation(None), "not checked", None),
    (light.along_track({"a": 1.0, "b": 1.2}), "pass", 1.2),
    (light.along_track({"a": 0.7, "b": 1.2}), "caution", 0.7),
    (light.along_track({"a": NAN}), "not checked", None),
    (light.along_track(None), "not checked", None),
    (light.attitude([1.0, 3.0], [0.0, 2.0], 1.0, 1.0), "pass", 2),
    (light.attitude([1.0, 3.0], [0.0, -8.0], 1.0, 1.0), "caution", 9),
    (light.attitude([1.0], [1.0], None, NAN), "not checked", None),
    (light.attitude([NAN], None, 1.0, 1.0), "not checked", None),
    (light.coverage(0.99), "pass", 0.99),
    (light.coverage(0.90, 2), "caution", 0.90),
    (light.coverage(None), "not checked", None),
    (light.coverage(NAN), "not checked", None),
    (light.sensor_temperature([30.0, 31.5]), "pass", 1.5),
    (light.sensor_temperature([30.0, 33.0, NAN]), "caution", 3),
    (light.sensor_temperature([NAN, 30.0]), "not checked", None),
]


@pytest.mark.parametrize(
    ("check", "verdict", "value"),
    CASES,
    ids=[f"{c.check}-{i}" for i, (c, _, _) in enumerate(CASES)],
)
def test_verdict_and_value(check: Check, verdict: str, value: float | None) -> None:
    assert check.verdict == verdict, check.says
    assert check.value == (
        None if value is None else pytest.approx(value, rel=0.02, abs=3e-3 if value == 0 else 1e-9)
    )
    assert check.says.endswith(".")
    assert (check.do == "") == (verdict == "pass") or verdict == "not checked"


def test_along_track_says_the_speed_and_the_period() -> None:
    """30 m and 0.617 mrad are 18.5 mm a sample: 4.11 m/s at 4.5 ms (CHECKS, own arithmetic)."""
    check = light.along_track({"a": 0.7}, frame_period_ms=4.5, sample_width_m=30 * 0.617e-3)
    assert "Fly faster, at 4.1 m/s, or lengthen the frame period to 6.4 ms" in check.do


def test_along_track_says_which_way() -> None:
    assert "Fly slower" in light.along_track({"a": 2.0}).do
    assert "Fly faster" in light.along_track({"a": 0.5}).do


def test_what_was_not_seen_of_the_light_is_told_in_minutes_and_per_cent() -> None:
    says = light.illumination_known(TEN_SEEN, AWAY, U, panels_seen=False).says
    assert "10 % of the lines" in says
    assert "2.0 min" in says
    assert "reaches 3 %" in says
    assert "not seen at the panels" in says
