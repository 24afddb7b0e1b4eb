"""A log whose clock is not the flight's: refused, with the shift that would mend it."""

from __future__ import annotations

import datetime as dt

import numpy as np

from pipeline.errors import CalibrationError
from pipeline.radiometry.limits import CLOCK_GPS_S, CLOCK_HOURS
from pipeline.records import Array


def require_meeting(log_time: Array, panel_time: Array, line_time: Array | None = None) -> None:
    """Refuse a log that can say nothing of a flight.

    Parameters
    ----------
    log_time : (row,) [s], increasing
    panel_time : (reading,) [s], finite
    line_time : (line,) [s] of all cubes; NaN are passed over, None asks nothing of the lines

    Raises
    ------
    CalibrationError
        No line lies within the log, or every panel reading lies farther outside it than it is
        long, so that no trend of it can reach them. Names the shift of the log's times that would
        place panels and lines within it, where there is one.
    """
    first, last = float(log_time[0]), float(log_time[-1])
    away = np.maximum(first - panel_time, panel_time - last)
    lines = np.empty(0) if line_time is None else line_time[np.isfinite(line_time)]
    inside = bool(lines.size) and bool(((lines >= first) & (lines <= last)).any())
    if lines.size and not inside:
        missed = f"every line ({_span(lines.min(), lines.max())})"
    elif (away > last - first).all():
        missed = f"the panels ({_span(panel_time.min(), panel_time.max())})"
    else:
        return
    raise CalibrationError(
        f"the irradiance log ({_span(first, last)}) misses {missed}",
        do=_mending(first, last, np.concatenate([panel_time, lines])),
    )


def shift_that_mends(first: float, last: float, needed: Array) -> tuple[float, str] | None:
    """Seconds to add to a log's times so that it holds all `needed`, and why; None without one.

    A time zone (whole hours) or GPS time against UTC (18 s) where one serves, the smallest of
    them; otherwise the smallest shift at all. All in [s].
    """
    low, high = float(needed.max()) - last, float(needed.min()) - first
    if low > high:
        return None
    hours = [3600.0 * h for h in range(-CLOCK_HOURS, CLOCK_HOURS + 1) if h]
    for shift in sorted([-CLOCK_GPS_S, CLOCK_GPS_S, *hours], key=abs):
        if low <= shift <= high:
            gps = abs(shift) == CLOCK_GPS_S
            return shift, "GPS time against UTC" if gps else f"{shift / 3600:+.0f} h, a time zone"
    shift = low if abs(low) < abs(high) else high
    return shift, f"the least that serves; up to {high if shift == low else low:+.0f} s does"


def _mending(first: float, last: float, needed: Array) -> str:
    found = shift_that_mends(first, last, needed)
    if found is None:
        return "Give the log of this flight, from before the panels to the last line"
    shift, why = found
    return f"Set tables.irradiance.offset_s = {shift:.0f} ({why}) if its clock is off"


def _span(first: float, last: float) -> str:
    a, b = (dt.datetime.fromtimestamp(float(t), dt.UTC) for t in (first, last))
    end = "%H:%M:%S" if a.date() == b.date() else "%Y-%m-%dT%H:%M:%S"
    return f"{a:%Y-%m-%dT%H:%M:%S} to {b.strftime(end)} UTC"
