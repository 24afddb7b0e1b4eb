"""Checks of the light and of the flight."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry.checks.row import Limits, finite, not_checked, percent, row
from pipeline.radiometry.illumination.wandering import row_scatter
from pipeline.radiometry.limits import ILLUMINATION_STEP_PER_S, LIMITS, STEP_ERRORS
from pipeline.records import Check

_NOISE_WORTH_SAYING = 0.001


def illumination(
    irradiance: ArrayLike | None, *, corrected: bool = False, limits: Limits = LIMITS
) -> Check:
    """Range of irradiance over the cubes' lines, over its mean.

    `irradiance` is (line,) in any linear unit, or the ratio to the panels'; NaN are passed over.
    Where the run corrects for it the value is stated and passes.
    """
    light = finite(irradiance)
    if not light.size or not light.mean() > 0:
        return not_checked(
            limits,
            "illumination",
            "no irradiance log and no panel passes",
            do="Log the irradiance, or pass over a panel more than once",
        )
    spread = float(np.ptp(light) / light.mean())
    says = f"irradiance varies by {percent(spread)} over the cubes, "
    says += "which is corrected" if corrected else "which is not corrected"
    return row(limits, "illumination", spread, says, counts=not corrected)


def illumination_known(
    extrapolated: ArrayLike | None,
    unobserved_s: ArrayLike | None,
    uncertainty: ArrayLike | None,
    *,
    panels_seen: bool = True,
    supposed: str = "constant",
    limits: Limits = LIMITS,
) -> Check:
    """Share of lines whose light is extrapolated.

    Parameters
    ----------
    extrapolated : (line,) mask of all cubes; None where the light was not followed
    unobserved_s : (line,) [s] to what was seen of the light next to them; NaN where unknown
    uncertainty : (line,) [1], standard, of the light over the light itself
    supposed : what it was taken for then
    panels_seen : False where the light at a panel's reading, the reference of all, is extrapolated
    """
    if extrapolated is None or unobserved_s is None or uncertainty is None:
        return not_checked(
            limits,
            "illumination-known",
            f"the light is taken as {supposed}: it was not followed",
            do="Log the irradiance, or pass over a panel more than once",
        )
    lines = np.asarray(extrapolated, bool)
    share = float(lines.mean()) if lines.size else 0.0
    texts = []
    if lines.any():
        away, u = finite(np.asarray(unobserved_s)[lines]), finite(np.asarray(uncertainty)[lines])
        text = f"the light was not seen at {percent(share)} of the lines"
        if away.size:
            text += f", up to {away.max() / 60:.1f} min from where it was"
        texts.append(f"{text}; its standard uncertainty there reaches {percent(float(u.max()))}")
    if not panels_seen:
        texts.append("it was not seen at the panels, which every line is referred to")
    return row(
        limits,
        "illumination-known",
        share,
        "; ".join(texts) or "the light was seen at every line",
        at_least="pass" if panels_seen else "caution",
    )


def illumination_steps(
    line_time_s: ArrayLike | None,
    log_time_s: ArrayLike | None,
    irradiance: ArrayLike | None,
    *,
    limits: Limits = LIMITS,
) -> Check:
    """Share of lines where irradiance moves more than 1 % a second.

    Parameters
    ----------
    line_time_s : (line,) [s]
    log_time_s, irradiance : (entry,) [s], [any linear unit]

    The change is taken over the second around each line, the log being linear between entries;
    lines outside the log are not counted. A change within `STEP_ERRORS` of what the log's own noise
    makes of it does not count: the noise is the robust scatter of entries about the straight line
    through their neighbours.
    """
    lines = finite(line_time_s)
    if log_time_s is None or irradiance is None or not lines.size:
        return not_checked(limits, "illumination-steps", "no irradiance log, or no line times")
    time, light = np.asarray(log_time_s, np.float64), np.asarray(irradiance, np.float64)
    good = np.isfinite(time) & np.isfinite(light)
    order = np.argsort(time[good], kind="stable")
    time, light = time[good][order], light[good][order]
    lines = lines[(lines >= time[0]) & (lines <= time[-1])] if time.size > 1 else lines[:0]
    if not lines.size:
        return not_checked(
            limits, "illumination-steps", "the irradiance log does not reach the lines"
        )
    before, after = np.maximum(lines - 0.5, time[0]), np.minimum(lines + 0.5, time[-1])
    low, high = np.interp(before, time, light), np.interp(after, time, light)
    level = 0.5 * (low + high)
    span = after - before
    rate = np.divide(
        np.abs(high - low),
        level * span,
        out=np.full(lines.shape, math.inf),
        where=(level > 0) & (span > 0),
    )
    noise = row_scatter(time, light)
    # Two entries' noise where the second spans them, and its share where it lies between two.
    u = math.sqrt(2) * noise * np.minimum(span / np.median(np.diff(time)), 1.0)
    beyond = np.abs(high - low) - ILLUMINATION_STEP_PER_S * level * span > STEP_ERRORS * u
    share = float(np.mean((rate > ILLUMINATION_STEP_PER_S) & beyond))
    says = f"irradiance moves faster than 1 % a second at {percent(share)} of the lines"
    if noise > _NOISE_WORTH_SAYING * float(np.median(light)):
        says += f", beyond the log's own noise of {percent(noise / float(np.median(light)))}"
    return row(limits, "illumination-steps", share, says)


def sun_elevation(elevation_deg: ArrayLike | None, *, limits: Limits = LIMITS) -> Check:
    """Lowest sun elevation, degrees, of any set of times."""
    sun = finite(elevation_deg)
    if not sun.size:
        return not_checked(
            limits,
            "sun-elevation",
            "no position and times to compute it from",
            do="Give flight.track",
        )
    return row(
        limits,
        "sun-elevation",
        float(sun.min()),
        f"the sun stood {sun.min():.1f} to {sun.max():.1f} degrees high",
    )


def along_track(
    ratio: Mapping[str, float] | None,
    *,
    frame_period_ms: float = math.nan,
    sample_width_m: float = math.nan,
    limits: Limits = LIMITS,
) -> Check:
    """Ground step over ground sample width, by cube; the one farthest from 1 is shown.

    `frame_period_ms` as it was and `sample_width_m` on the ground, NaN where unknown, give the
    advice its numbers.
    """
    good = {name: one for name, one in (ratio or {}).items() if math.isfinite(one) and one > 0}
    if not good:
        return not_checked(
            limits, "along-track", "speed, frame period, height or sensor.ifov_mrad is not known"
        )
    name = max(good, key=lambda one: abs(math.log(good[one])))
    speed_m_s = 1000 * sample_width_m / frame_period_ms
    at = f", at {speed_m_s:.2g} m/s" if math.isfinite(speed_m_s) else ""
    period_ms = frame_period_ms / good[name]
    to = f" to {period_ms:.2g} ms" if math.isfinite(period_ms) else ""
    do = f"Fly slower{at}, or shorten the frame period{to}"
    if good[name] < 1:
        do = f"Fly faster{at}, or lengthen the frame period{to}"
    return row(
        limits,
        "along-track",
        good[name],
        f"lines of {name} are {good[name]:.2f} sample widths apart",
        subject=name,
        do=do,
    )


def attitude(
    roll_deg: ArrayLike | None,
    pitch_deg: ArrayLike | None,
    panel_roll_deg: float | None,
    panel_pitch_deg: float | None,
    *,
    limits: Limits = LIMITS,
) -> Check:
    """Largest roll or pitch of a line from that over the panels; degrees, (line,) each."""
    off = {
        axis: float(np.abs(finite(values) - panel).max())
        for axis, values, panel in (
            ("roll", roll_deg, panel_roll_deg),
            ("pitch", pitch_deg, panel_pitch_deg),
        )
        if panel is not None and math.isfinite(panel) and finite(values).size
    }
    if not off:
        return not_checked(limits, "attitude", "no track with roll and pitch of lines and panels")
    axis = max(off, key=lambda one: off[one])
    return row(
        limits,
        "attitude",
        off[axis],
        f"{axis} departs by up to {off[axis]:.1f} degrees from that over the panels",
        subject=axis,
    )


def coverage(share: float | None, gaps: int | None = None, *, limits: Limits = LIMITS) -> Check:
    """Share of the survey polygon that the strips saw (`geometry.coverage`)."""
    if share is None or not math.isfinite(share):
        return not_checked(
            limits,
            "coverage",
            "no survey polygon, no track, or no field of view of a sample",
            do="Give flight.regions with a survey polygon, flight.track and sensor.ifov_mrad",
        )
    says = f"the strips saw {percent(share)} of the survey polygon"
    if gaps:
        says += f" and left {gaps} gap{'s' if gaps > 1 else ''}"
    return row(limits, "coverage", share, says)


def sensor_temperature(temperature_c: ArrayLike | None, *, limits: Limits = LIMITS) -> Check:
    """Range of the sensor's temperature over the flight, kelvin; (cube,) [deg C]."""
    warm = finite(temperature_c)
    if warm.size < 2:
        return not_checked(
            limits,
            "sensor-temperature",
            "fewer than two headers state the sensor's temperature",
            do="Name the key in sensor.header_keys",
        )
    return row(
        limits,
        "sensor-temperature",
        float(np.ptp(warm)),
        f"the sensor's temperature ran from {warm.min():.1f} to {warm.max():.1f} deg C",
    )
