"""Irradiance at each line's time over irradiance at the panels' time."""

from __future__ import annotations

import numpy as np

from pipeline.errors import CalibrationError
from pipeline.radiometry.robust import MAD_TO_SIGMA
from pipeline.records import Array, Illumination, Mask

#: A gap of more than this many of the log's median steps is not bridged without a flag.
#: Common practice, no source.
LONG_GAP_STEPS = 10.0


def constant(lines: int) -> Illumination:
    """Ratio 1 throughout, uncertainty 0: no change of irradiance is known or corrected."""
    return Illumination(np.ones(lines), np.zeros(lines), np.zeros(lines, dtype=np.bool_))


def from_log(
    line_time: Array, log_time: Array, log_value: Array, panel_time: Array
) -> Illumination:
    """Irradiance ratio from a log, linear in time.

    Parameters
    ----------
    line_time : (line,) [s]; NaN gets the panels' irradiance and is flagged
    log_time, log_value : (row,) [s], any unit linear in irradiance, above zero; NaN rows and rows
        of a time seen before are passed over
    panel_time : (reading,) [s], times of the panels' readings; the reference is the mean there

    Returns
    -------
    Illumination. Outside the log the nearest row holds. Flagged as extrapolated are lines outside
    the log and in gaps longer than `LONG_GAP_STEPS` median steps; the whole log's standard
    deviation is added to their uncertainty, for want of anything better.

    Raises
    ------
    CalibrationError
        No usable row, a value not above zero, or no panel time known.

    Notes
    -----
    The uncertainty of one row is the robust scatter of rows about the straight line through their
    two neighbours (zero with fewer than three rows). A drift of the logging instrument is not in.
    """
    t, value = np.asarray(log_time, dtype=np.float64), np.asarray(log_value, dtype=np.float64)
    known = np.isfinite(t) & np.isfinite(value)
    t, first = np.unique(t[known], return_index=True)
    value = value[known][first]
    panels = np.atleast_1d(np.asarray(panel_time, dtype=np.float64))
    panels = panels[np.isfinite(panels)]
    if not len(t):
        raise CalibrationError("the irradiance log has no usable row")
    if not (value > 0).all():
        raise CalibrationError(f"expected irradiance above 0, got {value.min():g}")
    if not len(panels):
        raise CalibrationError("no panel reading has a known time; the irradiance log needs one")

    u_row = _row_scatter(t, value)
    reference = float(np.interp(panels, t, value).mean())
    u_reference = u_row * float(np.sqrt((_factor(panels, t) ** 2).sum())) / len(panels)
    line_time = np.asarray(line_time, dtype=np.float64)
    at_line = np.interp(line_time, t, value)
    at_line = np.where(np.isfinite(line_time), at_line, reference)
    outside = _unsupported(line_time, t)
    u_line = np.hypot(u_row * _factor(line_time, t), np.where(outside, value.std(), 0.0))
    ratio = at_line / reference
    relative = np.hypot(u_line / at_line, u_reference / reference)
    return Illumination(ratio, ratio * relative, outside)


def _row_scatter(t: Array, value: Array) -> float:
    """Standard deviation of one row's noise, from three-point residuals."""
    if len(t) < 3:
        return 0.0
    w = (t[1:-1] - t[:-2]) / (t[2:] - t[:-2])
    residual = value[1:-1] - (1 - w) * value[:-2] - w * value[2:]
    scaled = residual / np.sqrt(1 + (1 - w) ** 2 + w**2)
    return MAD_TO_SIGMA * float(np.median(np.abs(scaled)))


def _factor(at: Array, t: Array) -> Array:
    """Standard deviation of a linear interpolation over that of one row."""
    if len(t) < 2:
        return np.ones(np.shape(at))
    place = np.clip(np.searchsorted(t, at, side="right") - 1, 0, len(t) - 2)
    w = np.nan_to_num(np.clip((at - t[place]) / (t[place + 1] - t[place]), 0.0, 1.0))
    return np.asarray(np.hypot(1 - w, w))


def _unsupported(at: Array, t: Array) -> Mask:
    """Times outside a log, unknown, or in its long gaps."""
    outside = ~((at >= t[0]) & (at <= t[-1]))
    if len(t) < 2:
        return np.asarray(outside)
    step = np.diff(t)
    long = step > LONG_GAP_STEPS * np.median(step)
    place = np.clip(np.searchsorted(t, at, side="right") - 1, 0, len(t) - 2)
    on_row = np.isin(at, t)
    return np.asarray(outside | (long[place] & ~on_row))


def from_passes(
    line_time: Array, pass_times: Array, pass_levels: Array, pass_uncertainty: Array
) -> Illumination:
    """Irradiance ratio from repeated passes over a panel, linear in time between them.

    Parameters
    ----------
    line_time : (line,) [s]; NaN gets the first pass and is flagged
    pass_times : (pass,) [s], one or more, finite, in any order
    pass_levels : (pass,) the panel's signal, averaged over bands, over that of the pass or passes
        that the empirical line was made from
    pass_uncertainty : (pass,) standard

    Returns
    -------
    Illumination; before the first and after the last pass the nearest holds, flagged.

    Raises
    ------
    CalibrationError
        No pass of known time, or a level not above zero.
    """
    t, level, u = (
        np.asarray(v, dtype=np.float64) for v in (pass_times, pass_levels, pass_uncertainty)
    )
    known = np.isfinite(t) & np.isfinite(level)
    if not known.any():
        raise CalibrationError("no pass over the panel has a known time and level")
    if not (level[known] > 0).all():
        raise CalibrationError(f"expected panel levels above 0, got {level[known].min():g}")
    t, first = np.unique(t[known], return_index=True)
    level, u = level[known][first], u[known][first]
    line_time = np.asarray(line_time, dtype=np.float64)
    at = np.where(np.isfinite(line_time), line_time, t[0])
    ratio = np.interp(at, t, level)
    place = np.clip(np.searchsorted(t, at, side="right") - 1, 0, max(len(t) - 2, 0))
    if len(t) > 1:
        w = np.clip((at - t[place]) / (t[place + 1] - t[place]), 0.0, 1.0)
        uncertainty = np.hypot((1 - w) * u[place], w * u[place + 1])
    else:
        uncertainty = np.full(at.shape, u[0])
    outside = ~((line_time >= t[0]) & (line_time <= t[-1]))
    return Illumination(ratio, uncertainty, outside)
