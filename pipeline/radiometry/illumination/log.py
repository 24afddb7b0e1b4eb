"""The light from an irradiance log, broadband or by band."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import CalibrationError
from pipeline.radiometry.illumination.curve import WANDER_PER_S, LightCurve, illumination_at
from pipeline.radiometry.illumination.log_clock import require_meeting
from pipeline.radiometry.illumination.wandering import (
    Wandering,
    covariances,
    fastest_wander,
    level_at,
    wandering,
)
from pipeline.records import Array, Illumination, Mask

Index = NDArray[np.intp]

#: A gap of more than this many of the log's median steps is not bridged without a flag.
#: Common practice, no source.
LONG_GAP_STEPS = 10.0


def from_log(
    line_time: Array, log_time: Array, log_value: Array, panel_time: Array
) -> Illumination:
    """Irradiance ratio at lines from a broadband log: `curve_from_log` at `line_time`."""
    return illumination_at(curve_from_log(log_time, log_value, panel_time), line_time)


def curve_from_log(
    log_time: Array,
    log_value: Array,
    panel_time: Array,
    *,
    line_time: Array | None = None,
    log_wavelength_nm: Array | None = None,
    wavelength_nm: Array | None = None,
) -> LightCurve:
    """Curve of the light from a log, linear in time between what its rows say.

    Parameters
    ----------
    log_time : (row,) [s], two at least; rows of a time seen before are passed over
    log_value : (row,) or (row, column), any unit linear in irradiance; NaN are passed over.
        Columns that somewhere are not above zero are left out
    panel_time : (reading,) [s], times of the panels' readings; the reference is the mean there
    line_time : (line,) [s] of all cubes, to see that the log meets the flight
    log_wavelength_nm : (column,) [nm], increasing, for (row, column) values
    wavelength_nm : (band,) [nm], band centres; between columns linear in wavelength

    Returns
    -------
    LightCurve of one band for a broadband log, else of the bands.

    Raises
    ------
    CalibrationError
        Fewer than two usable rows, a broadband value not above zero, no panel time known, or a log
        that misses panels or lines (`require_meeting`).

    Notes
    -----
    Each band's rows are a wandering level seen through noise (`wandering`); the noise is taken as
    the meter's. Panel times are knots of their own, so that the panels' own reference has the
    uncertainty of its place, in a gap or outside the log too, and what a line shares with it
    cancels. Where the log has no rows the trend goes on as it went, with a standard uncertainty as
    large as what it adds; across a gap, the change times the share of the gap to its nearer end.
    A band outside the log's wavelengths has the ratio of the nearest column; its uncertainty is
    the ratio's change over as many nanometres inside, or over all there are, scaled. A drift of
    the logging instrument is not in.
    """
    t, value = _rows(log_time, log_value)
    panels = np.atleast_1d(np.asarray(panel_time, dtype=np.float64))
    panels = panels[np.isfinite(panels)]
    if not len(panels):
        raise CalibrationError("no panel reading has a known time; the irradiance log needs one")
    lines = None if line_time is None else np.asarray(line_time, dtype=np.float64)
    require_meeting(t, panels, lines)
    if value.shape[1] == 1:
        return _curve(t, value, panels)
    if log_wavelength_nm is None or wavelength_nm is None:
        raise CalibrationError("a log with a column a wavelength needs the bands' wavelengths")
    columns, wanted = (
        np.asarray(nm, dtype=np.float64) for nm in (log_wavelength_nm, wavelength_nm)
    )
    with np.errstate(invalid="ignore"):
        good = ~(value <= 0).any(axis=0) & (np.isfinite(value).sum(axis=0) >= 2)
    if not good.any():
        raise CalibrationError("no column of the irradiance log is above 0 throughout")
    columns, value = columns[good], value[:, good]
    curve = _curve(t, _at_wavelengths(value, columns, wanted), panels)
    return _outside_wavelengths(curve, t, value, panels, columns, wanted)


def _rows(log_time: Array, log_value: Array) -> tuple[Array, Array]:
    """Usable rows in order of time, (row,) and (row, column)."""
    t, value = np.asarray(log_time, dtype=np.float64), np.asarray(log_value, dtype=np.float64)
    value = value[:, None] if value.ndim == 1 else value
    known = np.isfinite(t) & np.isfinite(value).any(axis=1)
    t, first = np.unique(t[known], return_index=True)
    value = value[known][first]
    if len(t) < 2:
        raise CalibrationError(
            f"expected two rows or more of the irradiance log, got {len(t) or 'no usable row'}"
        )
    if value.shape[1] == 1 and not (value > 0).all():
        raise CalibrationError(f"expected irradiance above 0, got {value.min():g}")
    return t, value


def _at_wavelengths(value: Array, columns: Array, wanted: Array) -> Array:
    """(row, band) from (row, column), linear in wavelength, the nearest column outside."""
    if columns.size == 1:
        return np.repeat(value, wanted.size, axis=1)
    left = np.clip(np.searchsorted(columns, wanted, side="right") - 1, 0, columns.size - 2)
    w = np.clip((wanted - columns[left]) / (columns[left + 1] - columns[left]), 0.0, 1.0)
    # A column that a band does not need may be unknown.
    low = np.where(w < 1, value[:, left], 0.0)
    high = np.where(w > 0, value[:, left + 1], 0.0)
    return np.asarray((1 - w) * low + w * high)


def _curve(t: Array, value: Array, panels: Array) -> LightCurve:
    """The curve of (row, band) values, all known at two rows at least."""
    knots = np.union1d(t, panels)
    at_panel = np.searchsorted(knots, panels)
    row_of = np.searchsorted(knots, t)
    is_row = np.isin(knots, t)
    gap = _unsupported(knots, t)
    bands = [_band(t, value[:, b], knots, row_of, at_panel, gap) for b in range(value.shape[1])]
    ratio, variance, covariance, wander, unseen, slope, slope_u = (
        np.stack([band[i] for band in bands], axis=-1) for i in range(7)
    )
    return LightCurve(
        knots, ratio, variance, covariance, wander, unseen, gap, is_row, slope, slope_u
    )


def _unsupported(knots: Array, t: Array) -> Mask:
    """Stretches between knots that lie outside the log or in its long gaps."""
    middle = 0.5 * (knots[1:] + knots[:-1])
    step = np.diff(t)
    long = step > LONG_GAP_STEPS * np.median(step)
    place = np.clip(np.searchsorted(t, middle, side="right") - 1, 0, len(t) - 2)
    return np.asarray((middle < t[0]) | (middle > t[-1]) | long[place])


def _band(
    t: Array, value: Array, knots: Array, row_of: Index, at_panel: Index, gap: Mask
) -> tuple[Array, ...]:
    """Of one band: ratio, variance, covariance, both wanderings, slope and its uncertainty."""
    known = np.isfinite(value)
    t, value, row_of = t[known], value[known], row_of[known]
    unit = float(value.mean())
    value = value / unit
    found = _wandering(t, value)
    at_knots, seen = np.zeros(knots.size), np.zeros(knots.size, np.bool_)
    at_knots[row_of], seen[row_of] = value, True
    rows = level_at(t, value, np.ones(t.size, np.bool_), found)
    unseen = max(found.wander, fastest_wander(t, rows.value, found.trend))
    level = level_at(knots, at_knots, seen, found, np.where(gap, unseen, found.wander))
    away = np.maximum(knots - t[-1], 0.0) - np.maximum(t[0] - knots, 0.0)
    end = np.where(away < 0, level.value[row_of[0]], level.value[row_of[-1]])
    x = np.where(away != 0, end * np.exp(found.trend * away / end), level.value)

    # What the trend may be wrong by: throughout; and, in whether it goes on, before, after and in
    # each gap apart, (knot,) each.
    wrong = [np.sqrt(found.trend_variance) * level.by_trend]
    wrong += [abs(found.trend) * np.maximum(side, 0.0) for side in (-away, away)]
    wrong += _gap_changes(t, value, knots)
    of_panels = np.mean([covariances(level, k) for k in at_panel], axis=0)
    reference = float(x[at_panel].mean())
    shared = float(of_panels[at_panel].mean())
    neighbours = level.together * level.variance[1:]
    relative = level.variance / x**2 - 2 * of_panels / (x * reference)
    relative_next = neighbours / (x[1:] * x[:-1])
    relative_next -= (of_panels[:-1] / x[:-1] + of_panels[1:] / x[1:]) / reference
    relative, relative_next = (v + shared / reference**2 for v in (relative, relative_next))
    for size in wrong:
        departs = size / x - float(size[at_panel].mean()) / reference
        relative = relative + departs**2
        relative_next = relative_next + departs[1:] * departs[:-1]
    ratio = x / reference
    return (
        ratio,
        ratio**2 * np.maximum(relative, 0.0),
        ratio[1:] * ratio[:-1] * relative_next,
        np.asarray(found.wander / reference**2),
        np.asarray(unseen / reference**2),
        np.asarray(found.trend / reference),
        np.asarray(np.sqrt(found.trend_variance) / reference),
    )


def _wandering(t: Array, value: Array) -> Wandering:
    if len(t) > 2:
        return wandering(t, value)
    span = float(t[1] - t[0])
    trend = float(value[1] - value[0]) / span
    return Wandering(trend, WANDER_PER_S / span, WANDER_PER_S, 0.0)


def _gap_changes(t: Array, value: Array, knots: Array) -> list[Array]:
    """For each long gap with a knot inside, the change across it by the share to its nearer end."""
    step = np.diff(t)
    long = np.flatnonzero(step > LONG_GAP_STEPS * np.median(step))
    found = []
    for k in long:
        w = (knots - t[k]) / step[k]
        inside = (w > 0) & (w < 1)
        if inside.any():
            change = abs(float(value[k + 1] - value[k]))
            found.append(np.where(inside, change * np.minimum(w, 1 - w), 0.0))
    return found


def _outside_wavelengths(
    curve: LightCurve, t: Array, value: Array, panels: Array, columns: Array, wanted: Array
) -> LightCurve:
    """The curve with the uncertainty of bands that lie outside the log's wavelengths."""
    beyond = np.maximum(columns[0] - wanted, wanted - columns[-1])
    outside = np.flatnonzero(beyond > 0)
    width = float(columns[-1] - columns[0])
    if not outside.size or not width > 0:
        return curve
    edge = np.where(wanted[outside] < columns[0], columns[0], columns[-1])
    inward = np.where(wanted[outside] < columns[0], 1.0, -1.0)
    reach = np.minimum(beyond[outside], width)
    mirrored = _curve(t, _at_wavelengths(value, columns, edge + inward * reach), panels)
    change = (mirrored.ratio - curve.ratio[:, outside]) * (beyond[outside] / reach)
    variance, covariance = curve.variance.copy(), curve.covariance.copy()
    variance[:, outside] += change**2
    covariance[:, outside] += change[1:] * change[:-1]
    return replace(curve, variance=variance, covariance=covariance)
