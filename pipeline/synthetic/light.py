"""The light of a simulated flight: broadband over time, and its colour."""

from __future__ import annotations

import numpy as np

from pipeline.radiometry.geometry import sun_elevation
from pipeline.radiometry.illumination.clear_sky import haurwitz
from pipeline.records import Array
from pipeline.synthetic.atmosphere import irradiance, wavelength_grid
from pipeline.synthetic.geometry import (
    Timetable,
    timetable,
)
from pipeline.synthetic.plan import FlightPlan


def progress(table: Timetable, time_s: Array) -> Array:
    """0 up to the first line of the first strip, 1 from the last line of the last on."""
    lines = table.line_time_s
    share = (time_s - lines[0, 0]) / (lines[-1, -1] - lines[0, 0])
    return np.asarray(np.clip(share, 0.0, 1.0))


def light_colour(plan: FlightPlan, time_s: Array, wavelength_nm: Array) -> Array:
    """What the light of a wavelength loses beyond the rest, (time, wavelength) [1]."""
    share = plan.blue_fall * np.clip((700.0 - wavelength_nm) / 300.0, 0.0, None)
    return np.asarray(1.0 - progress(timetable(plan), time_s)[:, None] * share)


def irradiance_log(plan: FlightPlan, table: Timetable, time_s: Array) -> Array:
    """Broadband irradiance at the log's times, (point,) [W m-2], as the log's text has it.

    The log is the truth: a line's irradiance is linear between its rows.
    """
    lines = table.line_time_s
    level = 1.0 - plan.irradiance_fall * progress(table, time_s)
    recorded = lines.ravel()
    for cloud in plan.clouds:
        start, stop = (
            recorded[min(int(share * recorded.size), recorded.size - 1)]
            for share in (cloud.start, cloud.stop)
        )
        # The edge of a cloud's shadow passes within half a second.
        inside = np.clip(np.minimum(time_s - start, stop - time_s) / 0.5 + 0.5, 0.0, 1.0)
        level = level * (1.0 + (cloud.level - 1.0) * inside)
    since = time_s - lines[0, 0]
    for swing in plan.swings:
        level = level * (
            1.0 + swing.size * np.sin(2 * np.pi * since / swing.period_s + swing.phase)
        )
    if plan.sun_moves:
        at = np.append(time_s, lines[0, 0])
        sky = haurwitz(sun_elevation(at, plan.latitude, plan.longitude))
        level = level * sky[:-1] / sky[-1]
    for cube, share in plan.strip_light:
        start, stop = lines[cube, 0] - 0.5 * plan.turn_s, lines[cube, -1] + 0.5 * plan.turn_s
        level = level * np.where((time_s >= start) & (time_s <= stop), share, 1.0)
    grid = wavelength_grid(plan.first_nm, plan.last_nm)
    return np.asarray(np.round(np.trapezoid(irradiance(grid), grid) * level, 6))
