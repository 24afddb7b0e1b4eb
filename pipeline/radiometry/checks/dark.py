"""Checks of the dark captures."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry.checks.offload import alike
from pipeline.radiometry.checks.row import Limits, finite, many, not_checked, row
from pipeline.radiometry.limits import (
    DRIFT_ERRORS,
    LIMITS,
    STEADINESS_ERRORS,
)
from pipeline.radiometry.robust import correlation_factor, robust_sigma
from pipeline.records import Capture, Check


def dark_settings(darks: Sequence[Capture], cube: Capture, *, limits: Limits = LIMITS) -> Check:
    """Dark captures whose settings do not match those of the first cube that is processed."""
    if not darks:
        return not_checked(limits, "dark-settings", "no dark capture")
    return alike("dark-settings", cube, darks, limits, costs_part=False)


def dark_frames(frames: Mapping[str, int], *, limits: Limits = LIMITS) -> Check:
    """Frames in the smallest capture; `frames` by capture."""
    if not frames:
        return not_checked(limits, "dark-frames", "no dark capture")
    name = min(frames, key=lambda one: frames[one])
    return row(
        limits,
        "dark-frames",
        frames[name],
        f"{name} has {many(frames[name], 'frame')}",
        subject=name,
    )


def level_slope(level_count: ArrayLike) -> tuple[float, float]:
    """Slope of a capture's level and its standard error, counts a frame.

    Parameters
    ----------
    level_count : (frame,) [count] mean of each frame over all elements; NaN are passed over

    Returns
    -------
    Least-squares slope without frames beyond 5 robust standard deviations of the residual, and
    its standard error enlarged for the correlation of neighbouring frames; (NaN, NaN) below 10
    frames.
    """
    level = np.asarray(level_count, np.float64)
    frame = np.arange(level.size, dtype=np.float64)
    good = np.isfinite(level)
    if good.sum() < 10:
        return math.nan, math.nan
    residual = level - np.median(level[good])
    for _ in range(3):
        slope, base = np.polyfit(frame[good], level[good], 1)
        residual = level - (slope * frame + base)
        spread = robust_sigma(residual[good])
        kept = np.isfinite(level) & (np.abs(residual) <= 5 * spread + 1e-12 * np.abs(level))
        if kept.sum() < 10 or np.array_equal(kept, good):
            break
        good = kept
    x, r = frame[good] - frame[good].mean(), residual[good]
    error = math.sqrt(float(r @ r) / (r.size - 2) / float(x @ x)) * correlation_factor(r)
    return float(slope), error


def dark_steadiness(
    level_count: Mapping[str, ArrayLike] | None, *, limits: Limits = LIMITS
) -> Check:
    """Change of the mean level within a capture, from first to last frame along a straight line.

    `level_count` is (frame,) [count] by capture.
    """
    change = {}
    for name, level in (level_count or {}).items():
        slope, error = level_slope(level)
        steps = np.size(np.asarray(level)) - 1
        if math.isfinite(slope):
            change[name] = (slope * steps, error * steps)
    if not change:
        return not_checked(limits, "dark-steadiness", "no dark capture of 10 frames or more")

    def proved(one: str) -> bool:
        return abs(change[one][0]) > STEADINESS_ERRORS * change[one][1]

    name = max(change, key=lambda one: (proved(one), abs(change[one][0])))
    moved, error = change[name]
    return row(
        limits,
        "dark-steadiness",
        abs(moved),
        f"the mean level of {name} changes by {moved:+.2f} counts (standard error {error:.2f}) "
        "from its first frame to its last",
        subject=name,
        counts=proved(name),
    )


def dark_drift(
    level_count: Mapping[str, float],
    *,
    slope_count_per_s: float | None = None,
    slope_error_count_per_s: float | None = None,
    minutes_to_farthest_line: float | None = None,
    lit: str = "",
    limits: Limits = LIMITS,
) -> Check:
    """Largest change of the mean level between captures.

    Parameters
    ----------
    level_count : mean dark level [count] by capture, in order of time
    slope_count_per_s, slope_error_count_per_s, minutes_to_farthest_line : warm-up slope within the
        one capture (`level_slope` over the frame period) and how far the lines are from it
    lit : a capture that saw light, which explains a change: no temperature would mend it

    Notes
    -----
    One capture shows no drift: `not checked`, with the shift that its slope would predict. A slope
    that stands out from its standard error and predicts more than the caution limit is caution.
    """
    levels = {name: level for name, level in level_count.items() if math.isfinite(level)}
    if not levels:
        return not_checked(limits, "dark-drift", "no dark capture")
    names = list(levels)
    if len(levels) > 1:
        change, name, before = max(
            (abs(levels[b] - levels[a]), b, a) for i, b in enumerate(names) for a in names[:i]
        )
        return row(
            limits,
            "dark-drift",
            change,
            f"the mean dark level moves by {levels[name] - levels[before]:+.2f} counts from "
            f"{before} to {name}" + (f"; light reached {lit}" if lit else ""),
            subject=name,
            do=f"Record {lit} again with the lens capped tightly, or leave it out" if lit else "",
        )
    given = (slope_count_per_s, slope_error_count_per_s, minutes_to_farthest_line)
    slope, error, minutes = (math.nan if one is None else one for one in given)
    shift, shift_error = 60 * minutes * slope, 60 * minutes * error
    do = "Record a dark before and after the flight"
    if not (math.isfinite(shift) and math.isfinite(shift_error)):
        return not_checked(
            limits,
            "dark-drift",
            f"only one dark capture ({names[0]}), and no slope within it to predict from",
            subject=names[0],
            do=do,
        )
    says = (
        f"only one dark capture ({names[0]}); its slope predicts {shift:+.2f} counts (standard "
        f"error {shift_error:.2f}) at the farthest line, {minutes:.1f} min away"
    )
    limit = limits["dark-drift"].caution
    if abs(slope) > DRIFT_ERRORS * error and isinstance(limit, int | float) and abs(shift) > limit:
        return row(
            limits,
            "dark-drift",
            abs(shift),
            f"{says}: the dark drifts",
            subject=names[0],
            do=do,
            counts=False,
            at_least="caution",
        )
    return not_checked(limits, "dark-drift", says, subject=names[0], do=do)


def dark_age(
    line_time_s: ArrayLike | None, capture_time_s: ArrayLike | None, *, limits: Limits = LIMITS
) -> Check:
    """Minutes from the farthest line to its nearest dark capture; both (time,) [s], UTC."""
    minutes = farthest_minutes(line_time_s, capture_time_s)
    if math.isnan(minutes):
        return not_checked(limits, "dark-age", "the time of the lines or of the darks is not known")
    return row(
        limits,
        "dark-age",
        minutes,
        f"the farthest line is {minutes:.1f} min from its nearest dark capture",
    )


def farthest_minutes(line_time_s: ArrayLike | None, event_time_s: ArrayLike | None) -> float:
    """Minutes from the farthest line to its nearest event; NaN where either is not known."""
    lines, events = finite(line_time_s), np.sort(finite(event_time_s))
    if not lines.size or not events.size:
        return math.nan
    after = np.clip(np.searchsorted(events, lines), 0, events.size - 1)
    before = np.maximum(after - 1, 0)
    nearest = np.minimum(np.abs(events[after] - lines), np.abs(lines - events[before]))
    return float(nearest.max()) / 60


def dark_temperature(
    dark_c: ArrayLike | None, cube_c: Mapping[str, float] | None, *, limits: Limits = LIMITS
) -> Check:
    """Kelvin between a cube and the dark nearest to it in temperature, for the worst cube.

    `dark_c` is (capture,) [deg C]; `cube_c` [deg C] by cube.
    """
    darks = finite(dark_c)
    apart = {
        name: float(np.abs(darks - value).min())
        for name, value in (cube_c or {}).items()
        if darks.size and math.isfinite(value)
    }
    if not apart:
        return not_checked(
            limits,
            "dark-temperature",
            "the headers state no sensor temperature of both darks and cubes",
            do="Name the key in sensor.header_keys",
        )
    name = max(apart, key=lambda one: apart[one])
    return row(
        limits,
        "dark-temperature",
        apart[name],
        f"{name} was {apart[name]:.1f} K from its nearest dark",
        subject=name,
    )
