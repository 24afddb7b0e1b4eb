"""A log whose clock is off is refused, with the shift that would mend it."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import CalibrationError
from pipeline.radiometry.illumination.log_clock import require_meeting, shift_that_mends

START = 1_781_781_600.0  # 2026-06-18T11:20:00Z
LINES = START + np.arange(0, 600, 5.0)
PANELS = START + np.array([3.0, 5.0])


def log(first, last):
    return np.arange(START + first, START + last, 1.0)


def test_a_log_that_meets_the_flight_is_left_alone():
    require_meeting(log(-60, 660), PANELS, LINES)
    require_meeting(log(-60, 660), PANELS)
    # ... and one that begins two minutes after the panels: its trend reaches them.
    require_meeting(log(120, 660), PANELS, LINES)


@pytest.mark.parametrize(
    ("shift", "says"),
    [
        (7200.0, r"offset_s = -7200 \(-2 h, a time zone\)"),
        (-3600.0, r"offset_s = 3600 \(\+1 h, a time zone\)"),
        (86400.0 * 30, r"offset_s = -25919\d\d \(the least that serves; up to -2592\d\d\d s does"),
    ],
)
def test_the_shift_that_mends_is_named(shift, says):
    with pytest.raises(CalibrationError, match=f"misses every line.*{says}"):
        require_meeting(log(-60 + shift, 660 + shift), PANELS, LINES)


def test_gps_time_is_named():
    assert shift_that_mends(0.0, 100.0, np.array([-15.0, 80.0])) == (-18.0, "GPS time against UTC")


def test_a_log_too_short_for_any_shift_says_so():
    assert shift_that_mends(0.0, 10.0, np.array([100.0, 200.0])) is None
    with pytest.raises(CalibrationError, match="Give the log of this flight"):
        require_meeting(log(-100, -90), PANELS, LINES)


def test_panels_farther_off_than_the_log_is_long_are_missed():
    """No trend of two minutes reaches six minutes back."""
    with pytest.raises(CalibrationError, match=r"misses the panels .*11:20:03 to 11:20:05 UTC"):
        require_meeting(log(360, 480), PANELS, LINES)


def test_unknown_line_times_are_passed_over():
    require_meeting(log(-60, 660), PANELS, np.full(4, np.nan))
