"""Dark signal: mean and temporal noise of dark captures, and the dark at a line's time.

Frames arrive in chunks, so that memory does not grow with their number. The mean takes all frames;
the noise is pooled from within the chunks, so that a drift during the capture does not inflate it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple, cast

import numba
import numpy as np
from numpy.typing import NDArray

from pipeline.errors import CalibrationError
from pipeline.radiometry.robust import MAD_TO_SIGMA
from pipeline.records import Array, Array32, DarkCapture, Mask

#: A sample this many robust sigmas from its element's median is a spike. Common practice.
SPIKE_Z = 6.0
#: More spikes than this share of a chunk are the element's own noise, and are kept.
SPIKE_SHARE = 1 / 16
#: Below this, a departure of a frame's mean level cannot matter to the mean dark [count].
LEVEL_SIGMA_FLOOR = 0.01
#: Share of the frames that must be the dark itself before a block of others is rejected.
MAJORITY = 0.6

_QUICK_Z = 3.2
_WINDOW = 101
_EDGE = 21
_STEP_HALF = 5
_STEP_Z = 8.0


@dataclass(frozen=True, eq=False)
class DarkSums:
    """What a chunk of dark frames leaves behind; (band, sample) unless said otherwise."""

    frames: int
    n: NDArray[np.int64]  # samples kept
    mean: Array  # [count]
    m2: Array  # [count^2], squared deviations from the mean of the own chunk, summed over chunks
    dof: NDArray[np.int64]  # degrees of freedom of m2
    clipped: Mask  # at or below zero counts in some frame


class Steadiness(NamedTuple):
    """Change of the mean level over a capture."""

    change_counts: float
    standard_error: float
    slope: float  # [count/frame]


def frame_levels(chunk: NDArray[Any]) -> Array:
    """Mean of every frame over all its elements.

    Parameters
    ----------
    chunk : (line, band, sample) [count], any real type

    Returns
    -------
    (line,) [count]; NaN where a frame holds a NaN.
    """
    flat = np.asarray(chunk).reshape(len(chunk), -1)
    if flat.dtype == np.uint16 and flat.shape[1]:
        # What cameras write, in a third of numpy's time; sums of counts are exact either way.
        return _frame_totals(np.ascontiguousarray(flat)) / flat.shape[1]
    return cast(Array, flat.mean(axis=1, dtype=np.float64))


@numba.njit(cache=True, nogil=True)
def _frame_totals(flat: NDArray[np.uint16]) -> Array:
    totals = np.empty(flat.shape[0])
    for f in range(flat.shape[0]):
        total = 0
        for i in range(flat.shape[1]):
            total += flat[f, i]
        totals[f] = total
    return totals


def outlying_frames(levels: Array, *, z: float = 6.0) -> Mask:
    """Frames whose mean level departs from the course of the others.

    Parameters
    ----------
    levels : (frame,) [count]; a NaN is outlying
    z : robust sigmas from the running median

    Returns
    -------
    (frame,) true where outlying. Fewer than five frames: none.

    Notes
    -----
    Common practice, no source. Two looks. First at *blocks* (a cap lifted for a while): the course
    is cut where it jumps, which a drift never does; the longest chain of pieces that continue each
    other, others being skipped, is taken for the dark, provided that it holds `MAJORITY` of the
    frames. Otherwise (a lasting step halfway) nothing is rejected, and the steadiness shows it.
    Then at *single frames*: departure from a running median of 101 frames, at the ends from a
    robust straight line, so that a steady or slowing drift is no outlier.
    """
    levels = np.asarray(levels, dtype=np.float64)
    out = ~np.isfinite(levels)
    if int((~out).sum()) < 5:
        return out
    index = np.flatnonzero(~out)
    displaced = _displaced_blocks(levels[index])
    out[index[displaced]] = True
    index = index[~displaced]
    residual = levels[index] - _course(levels[index])
    sigma = max(MAD_TO_SIGMA * float(np.median(np.abs(residual))), LEVEL_SIGMA_FLOOR)
    out[index[np.abs(residual) > z * sigma]] = True
    return out


def _robust_line(y: Array) -> Array:
    """Theil-Sen line through evenly spaced values, evaluated at each of them."""
    x = np.arange(len(y), dtype=np.float64)
    i, j = np.triu_indices(len(y), 1)
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i]))) if len(y) > 1 else 0.0
    return slope * x + float(np.median(y - slope * x))


def _course(levels: Array, ends: int = _EDGE) -> Array:
    """Running median; robust straight lines over the first and last frames."""
    n = len(levels)
    if n <= ends:
        return _robust_line(levels)
    edge = ends // 2
    course = np.empty(n)
    for i in range(edge, n - edge):
        half = min(i, n - 1 - i, _WINDOW // 2)
        course[i] = np.median(levels[i - half : i + half + 1])
    course[:edge] = _robust_line(levels[:ends])[:edge]
    course[-edge:] = _robust_line(levels[-ends:])[-edge:]
    return course


def _displaced_blocks(levels: Array) -> Mask:
    """Runs of frames set off from the majority by jumps, not by drift."""
    n, half = len(levels), _STEP_HALF
    none = np.zeros(n, dtype=np.bool_)
    if n < 4 * half:
        return none
    windows = np.median(np.lib.stride_tricks.sliding_window_view(levels, half), axis=1)
    step = windows[half:] - windows[:-half]  # step[k]: from frames before k + half to those after
    step = step - _course(step, ends=3 * _EDGE)
    sigma = max(MAD_TO_SIGMA * float(np.median(np.abs(step))), LEVEL_SIGMA_FLOOR)
    jump = np.abs(step) > _STEP_Z * sigma
    if not jump.any():
        return none
    # The medians smear an abrupt jump over five positions: a run of them is one cut, and a longer
    # one has its transition (the cap being taken off) cut out.
    side = np.concatenate(([0.0], np.where(jump, np.sign(step), 0.0), [0.0]))
    edges = np.flatnonzero(np.diff(side))
    cuts: set[int] = set()
    for a, b in pairwise(edges):
        if jump[a]:
            first, last = int(a) + 2, int(b) - 3
            steepest = int(a + np.argmax(np.abs(step[a:b])))
            cuts |= {first + half, last + half} if first < last else {steepest + half}
    bounds = [0, *sorted(cuts), n]
    pieces = [levels[a:b] for a, b in pairwise(bounds)]
    chain = _longest_chain(pieces, _STEP_Z * sigma)
    if sum(len(pieces[k]) for k in chain) < MAJORITY * n:
        return none
    out = np.ones(n, dtype=np.bool_)
    for k in chain:
        out[bounds[k] : bounds[k + 1]] = False
    return out


def _longest_chain(pieces: Sequence[Array], least: float) -> list[int]:
    """Indices of the pieces that continue each other and hold the most frames.

    Two pieces continue each other when the step from one's end to the other's start is below
    `least`, or below a third of the excursion between them (the dark may have drifted meanwhile).
    """
    starts = [float(np.median(piece[: 4 * _STEP_HALF])) for piece in pieces]
    ends = [float(np.median(piece[-4 * _STEP_HALF :])) for piece in pieces]
    middles = [float(np.median(piece)) for piece in pieces]
    total = [len(piece) for piece in pieces]
    before = [-1] * len(pieces)
    for j in range(len(pieces)):
        excursion = 0.0
        for i in range(j - 1, -1, -1):
            step = abs(starts[j] - ends[i])
            if step <= max(least, excursion / 3) and total[i] + len(pieces[j]) > total[j]:
                total[j], before[j] = total[i] + len(pieces[j]), i
            excursion = max(excursion, abs(middles[i] - starts[j]))
    chain = [int(np.argmax(total))]
    while before[chain[-1]] >= 0:
        chain.append(before[chain[-1]])
    return chain


@numba.njit(cache=True, nogil=True)
def _sums(
    chunk: NDArray[Any],
    typical: float,
    z: float,
    n: NDArray[np.int64],
    mean: Array,
    m2: Array,
    clipped: Mask,
) -> None:
    frames, bands, samples = chunk.shape
    most = max(1, int(frames * SPIKE_SHARE))
    values = np.empty(frames)
    s1 = np.empty(samples)
    s2 = np.empty(samples)
    low = np.empty(samples)
    high = np.empty(samples)
    for b in range(bands):
        for s in range(samples):
            s1[s] = 0.0
            s2[s] = 0.0
            low[s] = np.inf
            high[s] = -np.inf
        for f in range(frames):
            for s in range(samples):
                # Deviations from the first frame keep the squares small.
                x = float(chunk[f, b, s]) - float(chunk[0, b, s])
                s1[s] += x
                s2[s] += x * x
                low[s] = min(low[s], x)
                high[s] = max(high[s], x)
        for s in range(samples):
            first = float(chunk[0, b, s])
            average = s1[s] / frames
            squares = max(s2[s] - s1[s] * average, 0.0)
            if np.isnan(s1[s]):
                squares = np.nan
            kept = frames
            clipped[b, s] = low[s] + first <= 0.0
            sd = math.sqrt(squares / frames) if squares > 0.0 else 0.0
            reach = max(high[s] - average, average - low[s])
            # Few frames hide a spike in their own spread: they always get the slow look.
            if frames >= 5 and reach > z * typical / 2 and (frames < 32 or reach > _QUICK_Z * sd):
                for f in range(frames):
                    values[f] = float(chunk[f, b, s])
                middle = np.median(values)
                spread = MAD_TO_SIGMA * np.median(np.abs(values - middle))
                limit = z * max(spread, typical)
                spikes = 0
                for f in range(frames):
                    if abs(values[f] - middle) > limit:
                        spikes += 1
                if 0 < spikes <= most:
                    kept = frames - spikes
                    total = 0.0
                    for f in range(frames):
                        if abs(values[f] - middle) <= limit:
                            total += values[f] - first
                    average = total / kept
                    squares = 0.0
                    for f in range(frames):
                        if abs(values[f] - middle) <= limit:
                            squares += (values[f] - first - average) ** 2
            n[b, s] = kept
            mean[b, s] = first + average
            m2[b, s] = squares


def clipped_sums(chunk: NDArray[Any]) -> DarkSums:
    """Mean and squared deviations of each element over a chunk, single-frame spikes left out.

    Parameters
    ----------
    chunk : (line, band, sample) [count], any real type, one frame at least

    Returns
    -------
    DarkSums of the chunk. An element with a NaN gets NaN.

    Notes
    -----
    Common practice, no source. A spike is more than `SPIKE_Z` robust sigmas (1.4826 times the
    median absolute deviation, but never less than the chunk's typical noise or half a count) from
    the element's median. Normal noise loses fewer than one sample in 10^6. An element with more
    spikes than `SPIKE_SHARE` of the frames keeps them: that is its noise. Fewer than five frames:
    nothing is left out.
    """
    chunk = np.asarray(chunk)
    if chunk.ndim != 3 or len(chunk) == 0:
        raise CalibrationError(f"expected frames (line, band, sample), got shape {chunk.shape}")
    # Two compiled forms are enough: what cameras write, and everything else.
    kind = np.uint16 if chunk.dtype.kind == "u" and chunk.dtype.itemsize == 2 else np.float64
    block = np.ascontiguousarray(chunk, dtype=kind)
    frames, bands, samples = block.shape
    shape = (bands, samples)
    n, dof = np.empty(shape, np.int64), np.empty(shape, np.int64)
    mean, m2, clipped = np.empty(shape), np.empty(shape), np.empty(shape, np.bool_)
    _sums(block, _typical_noise(block), SPIKE_Z, n, mean, m2, clipped)
    dof[...] = n - 1
    return DarkSums(frames, n, mean, m2, dof, clipped)


def _typical_noise(block: NDArray[Any]) -> float:
    """Robust sigma of one frame from the differences of neighbouring frames, 0.5 at least."""
    if len(block) < 2:
        return 0.5
    middle = len(block) // 2
    difference = block[middle].astype(np.float64) - block[middle - 1]
    known = np.abs(difference[np.isfinite(difference)])
    spread = float(np.median(known)) if known.size else 0.0
    return max(MAD_TO_SIGMA * spread / math.sqrt(2), 0.5)


def combine(a: DarkSums, b: DarkSums) -> DarkSums:
    """Sums of two chunks together, whatever their lengths.

    The mean follows Chan, Golub and LeVeque (1983, Am. Stat. 37, 242, eq. 2.1); the term of their
    squared deviations that comes from the two means' difference is left out on purpose, since it
    holds the drift between chunks, which is no noise.
    """
    n = a.n + b.n
    mean = a.mean + (b.mean - a.mean) * (b.n / n)
    return DarkSums(a.frames + b.frames, n, mean, a.m2 + b.m2, a.dof + b.dof, a.clipped | b.clipped)


def finish(
    sums: DarkSums,
    *,
    name: str,
    time_s: float,
    levels: Array,
    sensor_temperature_c: float = math.nan,
) -> DarkCapture:
    """Dark capture from the sums of its chunks.

    Parameters
    ----------
    sums : of all frames that are not outlying
    levels : (frame,) [count] of all frames, outlying ones too
    time_s : mid time of the capture

    Returns
    -------
    DarkCapture. With a single frame the noise is NaN: it cannot be seen. Quantisation's
    1/12 count^2 is a part of the noise.
    """
    seen = sums.dof > 0
    variance = np.where(seen, sums.m2 / np.where(seen, sums.dof, 1), np.nan)
    return DarkCapture(
        name=name,
        time_s=time_s,
        frames=len(levels),
        frames_used=sums.frames,
        mean=sums.mean.astype(np.float32),
        noise=np.sqrt(variance).astype(np.float32),
        level=np.array(levels, dtype=np.float64),
        clipped=sums.clipped.copy(),
        sensor_temperature_c=sensor_temperature_c,
    )


def bracket(times_s: Sequence[float] | Array, time_s: float) -> tuple[int, int]:
    """Indices of the captures before and after a cube.

    Parameters
    ----------
    times_s : mid times of one or more captures, in any order
    time_s : mid time of the cube, which no capture lies within

    Returns
    -------
    (before, after); the nearest twice outside them. Captures of unknown time (NaN) are passed
    over; when no time or not the cube's is known, the first twice.
    """
    times = np.asarray(times_s, dtype=np.float64)
    known = np.flatnonzero(np.isfinite(times))
    if not len(known) or not math.isfinite(time_s):
        return (0, 0)
    known = known[np.argsort(times[known], kind="stable")]
    place = int(np.searchsorted(times[known], time_s, side="right"))
    before, after = known[max(place - 1, 0)], known[min(place, len(known) - 1)]
    return (int(before), int(after))


def weights(time_s: Array, before_s: float, after_s: float) -> Array:
    """Weight of the later capture at each line's time, linear, within [0, 1].

    0 throughout when both are one capture or a time is unknown (NaN).
    """
    time_s = np.asarray(time_s, dtype=np.float64)
    span = after_s - before_s
    if not (math.isfinite(span) and span > 0):
        return np.zeros(time_s.shape)
    return np.nan_to_num(np.clip((time_s - before_s) / span, 0.0, 1.0), nan=0.0)


def dark_at(before: DarkCapture, after: DarkCapture, weight: Array) -> tuple[Array32, Array32]:
    """Mean dark signal and its standard uncertainty between two captures.

    Parameters
    ----------
    weight : (line,) of `after`, from `weights`

    Returns
    -------
    two of (line, band, sample) [count], float32. The uncertainty is that of the means alone.
    """
    w = np.asarray(weight, dtype=np.float32)[:, None, None]
    mean = before.mean + w * (after.mean - before.mean)
    if before is after:
        uncertainty = np.broadcast_to(before.mean_uncertainty, mean.shape).copy()
    else:
        uncertainty = np.hypot(
            (1 - w) * before.mean_uncertainty, w * after.mean_uncertainty, dtype=np.float32
        )
    return mean, uncertainty


def extrapolated(time_s: Array, times_s: Sequence[float] | Array) -> Mask:
    """Lines outside the captures' mid times, (line,); every line when a time is unknown."""
    time_s = np.asarray(time_s, dtype=np.float64)
    times = np.asarray(times_s, dtype=np.float64)
    times = times[np.isfinite(times)]
    if not len(times):
        return np.ones(time_s.shape, dtype=np.bool_)
    return np.asarray(~((time_s >= times.min()) & (time_s <= times.max())))


def steadiness(levels: Array) -> Steadiness:
    """Change of the mean level over a capture, by a straight line.

    Parameters
    ----------
    levels : (frame,) [count]; NaN (an outlying frame) is passed over

    Returns
    -------
    Change from first to last frame, its standard error, slope per frame; NaN below three frames,
    standard error NaN below eight.

    Notes
    -----
    The scatter is that about a cubic, so that a slowing warm-up does not hide itself; the variance
    of the slope grows by (1 + r)/(1 - r) with r the scatter's lag-1 autocorrelation.
    """
    levels = np.asarray(levels, dtype=np.float64)
    known = np.isfinite(levels)
    n = int(known.sum())
    if n < 3:
        return Steadiness(math.nan, math.nan, math.nan)
    x = np.linspace(-1.0, 1.0, len(levels))[known]
    y = levels[known] - levels[known].mean()
    x_c = x - x.mean()
    sxx = float(x_c @ x_c)
    slope = float(x_c @ y) / sxx  # over half the capture
    error = math.nan
    if n >= 8:
        basis = np.vander(x, 4)
        residual = y - basis @ np.linalg.lstsq(basis, y, rcond=None)[0]
        square = float(residual @ residual)
        r = float(residual[1:] @ residual[:-1]) / square if square > 0 else 0.0
        r = min(max(r, 0.0), 0.99)
        error = 2 * math.sqrt(square / (n - 4) / sxx * (1 + r) / (1 - r))
    return Steadiness(2 * slope, error, 2 * slope / (len(levels) - 1))


def drift(captures: Sequence[DarkCapture]) -> float:
    """Largest change of the mean level between captures [count]; NaN with fewer than two."""
    if len(captures) < 2:
        return math.nan
    levels = [float(np.nanmean(capture.mean, dtype=np.float64)) for capture in captures]
    return max(levels) - min(levels)
