"""Checks of the dark: matched, steady, recent, at the same temperature, and dark."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry.checks.offload import alike
from pipeline.radiometry.checks.row import Limits, finite, many, not_checked, percent, row
from pipeline.radiometry.limits import (
    DRIFT_ERRORS,
    LEAK_ERRORS,
    LIMITS,
    STEADINESS_ERRORS,
    STRIPING_ERRORS,
)
from pipeline.radiometry.robust import MAD_TO_SIGMA
from pipeline.records import Array, BadElements, Capture, Check

#: Orders of the polynomial that a dark's own band profile is taken to be.
_PROFILE_ORDERS = range(2, 13)
#: Bands that each term of it needs, so that it stays slower than the spectrum's features.
_BANDS_A_TERM = 2
#: Standard error of a median over that of a mean, for normal scatter: sqrt(pi / 2).
_MEDIAN = math.sqrt(math.pi / 2)


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
        spread = MAD_TO_SIGMA * np.median(np.abs(residual[good] - np.median(residual[good])))
        kept = np.isfinite(level) & (np.abs(residual) <= 5 * spread + 1e-12 * np.abs(level))
        if kept.sum() < 10 or np.array_equal(kept, good):
            break
        good = kept
    x, r = frame[good] - frame[good].mean(), residual[good]
    error = math.sqrt(float(r @ r) / (r.size - 2) / float(x @ x)) * _correlation_factor(r)
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
    limits: Limits = LIMITS,
) -> Check:
    """Largest change of the mean level between captures.

    Parameters
    ----------
    level_count : mean dark level [count] by capture, in order of time
    slope_count_per_s, slope_error_count_per_s, minutes_to_farthest_line : warm-up slope within the
        one capture (`level_slope` over the frame period) and how far the lines are from it

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
            f"{before} to {name}",
            subject=name,
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


def leak_amplitude(dark_profile: ArrayLike, panel_spectrum: ArrayLike) -> tuple[float, float]:
    """Amplitude of the panels' spectrum in a dark's band profile, with its standard error.

    Parameters
    ----------
    dark_profile : (band,) [count] dark level, best a median over samples
    panel_spectrum : (band,) [count] mean signal of the panels

    Returns
    -------
    Counts at the panels' brightest band, by least squares of the profile on the spectrum and a
    polynomial over bands (a dark's own slow change), of the order that the Bayesian information
    criterion prefers (Schwarz 1978, Ann. Statist. 6, 461, from memory). Only what the polynomial
    cannot take on counts for the spectrum, so a spectrum as smooth as that gives a large standard
    error. The error is enlarged for the correlation of neighbouring bands, and where few bands are
    left to tell it by, so that `LEAK_ERRORS` of it are as improbable as they are for a normal
    error. (NaN, NaN) below 10 common bands, or where the spectrum is flat, zero or itself such a
    polynomial.
    """
    profile = np.asarray(dark_profile, np.float64)
    spectrum = np.asarray(panel_spectrum, np.float64)
    good = np.isfinite(profile) & np.isfinite(spectrum)
    if good.sum() < 10 or not (peak := float(spectrum[good].max())) > 0:
        return math.nan, math.nan
    position = np.linspace(-1, 1, profile.size)
    most = max(_PROFILE_ORDERS[0], min(_PROFILE_ORDERS[-1], int(good.sum()) // _BANDS_A_TERM - 2))
    smooth = np.polynomial.legendre.legvander(position, most)
    design = np.column_stack([spectrum / peak, smooth])
    terms_used = min(
        (order + 2 for order in _PROFILE_ORDERS if order <= most),
        key=lambda used: _information(design[good, :used], profile[good]),
    )
    design = design[:, :terms_used]
    amplitude = error = math.nan
    for _ in range(3):
        a, y = design[good], profile[good]
        if np.linalg.svd(a, compute_uv=False)[-1] < 1e-6:
            return math.nan, math.nan
        terms = np.linalg.lstsq(a, y, rcond=None)[0]
        residual = profile - design @ terms
        r = residual[good]
        variance = float(r @ r) / (r.size - a.shape[1])
        inflation = _correlation_factor(r)
        error = math.sqrt(variance * float(np.linalg.inv(a.T @ a)[0, 0])) * inflation
        error *= _few_factor(r.size / inflation**2 - a.shape[1])
        amplitude = float(terms[0])
        spread = MAD_TO_SIGMA * np.median(np.abs(r - np.median(r)))
        kept = good & (np.abs(residual) <= 5 * spread + 1e-12 * np.abs(profile))
        if kept.sum() < 10 or np.array_equal(kept, good):
            break
        good = kept
    return amplitude, error


def _few_factor(freedom: float) -> float:
    """What few degrees of freedom make of a standard error at `LEAK_ERRORS` (Student's t)."""
    from scipy.special import ndtr, stdtrit

    return -float(stdtrit(max(freedom, 1.0), ndtr(-LEAK_ERRORS))) / LEAK_ERRORS


def _information(design: Array, values: Array) -> float:
    """Bayesian information criterion of a least-squares fit; less is better."""
    rest = values - design @ np.linalg.lstsq(design, values, rcond=None)[0]
    n, terms = design.shape
    return float(n * math.log(max(float(rest @ rest) / n, 1e-30)) + terms * math.log(n))


def light_leak(
    dark_profile: Mapping[str, ArrayLike] | None,
    panel_spectrum: ArrayLike | None,
    *,
    scene_spectrum: ArrayLike | None = None,
    limits: Limits = LIMITS,
) -> Check:
    """Light in the dark: `leak_amplitude` of each capture's (band,) [count], the worst shown.

    Parameters
    ----------
    panel_spectrum : (band,) [count], mean signal of the panels
    scene_spectrum : (band,) [count], mean signal of the scene, looked for as well where given:
        light that came by the ground has its features, not the panels'
    """
    if not dark_profile or panel_spectrum is None:
        return not_checked(limits, "light-leak", "no dark, or no panel to know the light by")
    spectra = {"panels'": panel_spectrum, "scene's": scene_spectrum}
    found = {
        (name, whose): leak_amplitude(one, spectrum)
        for name, one in dark_profile.items()
        for whose, spectrum in spectra.items()
        if spectrum is not None
    }
    found = {key: pair for key, pair in found.items() if all(map(math.isfinite, pair))}
    if not found:
        return not_checked(
            limits,
            "light-leak",
            "the panels' spectrum is too smooth, or has too few "
            "bands, to be told from the dark's own profile",
        )

    def proved(one: tuple[str, str]) -> bool:
        return found[one][0] > LEAK_ERRORS * found[one][1]

    # The surest, in standard errors.
    key = max(found, key=lambda one: found[one][0] / max(found[one][1], 1e-12))
    (name, whose), (amplitude, error) = key, found[key]
    return row(
        limits,
        "light-leak",
        amplitude,
        f"light of the {whose} spectrum in {name}: {amplitude:.2f} counts (standard error "
        f"{error:.2f}) at the brightest band",
        subject=name,
        counts=proved(key),
    )


def dark_clipped(clipped: Mapping[str, ArrayLike] | None, *, limits: Limits = LIMITS) -> Check:
    """Share of elements at zero counts in some frame; (band, sample) masks by capture."""
    share = {
        name: float(np.mean(np.asarray(mask, bool)))
        for name, mask in (clipped or {}).items()
        if np.size(mask)
    }
    if not share:
        return not_checked(limits, "dark-clipped", "no dark capture")
    name = max(share, key=lambda one: share[one])
    return row(
        limits,
        "dark-clipped",
        share[name],
        f"{percent(share[name])} of the elements touch zero counts in {name}",
        subject=name,
    )


def bad_elements(elements: BadElements | None, *, limits: Limits = LIMITS) -> Check:
    """Share of elements hot, dead, stuck or noisy."""
    if elements is None or not elements.any.size:
        return not_checked(limits, "bad-elements", "no dark capture to find them in")
    kinds = ", ".join(
        f"{int(getattr(elements, kind).sum())} {kind}" for kind in ("hot", "dead", "stuck", "noisy")
    )
    total = elements.any
    return row(
        limits,
        "bad-elements",
        float(total.mean()),
        f"{int(total.sum())} of {total.size} elements ({percent(float(total.mean()))}) are "
        f"bad: {kinds}",
    )


def stripe_profile(signal: ArrayLike) -> tuple[Array, Array]:
    """Each sample's departure from its neighbours, relative, with its standard error.

    Parameters
    ----------
    signal : (band, sample) [any linear unit] mean over lines of a panel or flat, corrected

    Returns
    -------
    Two (sample,) arrays: the median over bands of the departure from a running median over 7
    samples, a straight slope taken out first; and its standard error from the scatter over bands.
    NaN where no band measures, and everywhere below 7 samples.
    """
    from scipy.ndimage import median_filter

    level = np.array(signal, np.float64)
    samples = level.shape[1]
    nothing = np.full(samples, math.nan)
    measured = np.isfinite(level)
    usable = measured.mean(axis=1) > 0.5
    if samples < 7 or not usable.any():
        return nothing, nothing.copy()
    level, measured = level[usable], measured[usable]
    middle = np.nanmedian(level, axis=1, keepdims=True)
    relative = np.divide(level, middle, out=np.full_like(level, math.nan), where=middle > 0)
    relative[~measured] = math.nan
    # A bad element takes its neighbours' level, so that it does not shift their running median.
    x = np.linspace(-1, 1, samples)
    for one in relative:
        good = np.isfinite(one)
        if good.sum() > 2:
            one -= np.polyval(np.polyfit(x[good], one[good], 1), x)
    filled = np.where(np.isfinite(relative), relative, 0.0)
    departure = relative - median_filter(filled, size=(1, 7), mode="nearest")
    count = np.isfinite(departure).sum(axis=0)
    if not count.any():
        return nothing, nothing.copy()
    value, error = nothing, nothing.copy()
    seen = count > 0
    value[seen] = np.nanmedian(departure[:, seen], axis=0)
    scatter = MAD_TO_SIGMA * np.nanmedian(np.abs(departure[:, seen] - value[seen]), axis=0)
    error[seen] = _MEDIAN * scatter / np.sqrt(count[seen])
    return value, error


def striping(signal: ArrayLike | None, *, subject: str = "", limits: Limits = LIMITS) -> Check:
    """Worst sample's departure from its neighbours (`stripe_profile`); samples count from 0."""
    departure, error = np.empty(0), np.empty(0)
    if signal is not None:
        departure, error = stripe_profile(signal)
    if not np.isfinite(departure).any():
        return not_checked(
            limits, "striping", "no panel or flat of 7 samples or more", subject=subject
        )
    size = np.where(np.isfinite(departure), np.abs(departure), -1.0)
    proved = size > STRIPING_ERRORS * np.where(np.isfinite(error), error, math.inf)
    worst = int(np.lexsort((size, proved))[-1])
    says = (
        f"sample {worst} departs by {100 * departure[worst]:+.2f} % (standard error "
        f"{100 * error[worst]:.2f} %) from its neighbours"
    )
    return row(
        limits, "striping", float(size[worst]), says, subject=subject, counts=bool(proved[worst])
    )


def _correlation_factor(residual: Array) -> float:
    """What neighbours' correlation makes of a standard error: sqrt((1 + r) / (1 - r)), r >= 0."""
    power = float(residual @ residual)
    if power == 0 or residual.size < 3:
        return 1.0
    r = float(residual[1:] @ residual[:-1]) / power
    r = min(max(r, 0.0), 0.98)
    return math.sqrt((1 + r) / (1 - r))
