"""Dark signal: mean and temporal noise of dark captures, and the dark at a line's time.

Frames arrive in chunks, so that memory does not grow with their number. The mean takes all frames;
the noise is pooled from within the chunks, so that a drift during the capture does not inflate it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled.call import compiled, inlined
from pipeline.errors import CalibrationError
from pipeline.radiometry.robust import MAD_TO_SIGMA, insert, middle_of
from pipeline.records import Array, Array32, DarkCapture, Mask

#: A sample this many robust sigmas from its element's median is a spike. Common practice.
SPIKE_Z = 6.0
#: More spikes than this share of a chunk are the element's own noise, and are kept.
SPIKE_SHARE = 1 / 16
_QUICK_Z = 3.2


@dataclass(frozen=True, eq=False)
class DarkSums:
    """What a chunk of dark frames leaves behind; (band, sample) unless said otherwise."""

    frames: int
    n: NDArray[np.int64]  # samples kept
    mean: Array  # [count]
    m2: Array  # [count^2], squared deviations from the mean of the own chunk, summed over chunks
    dof: NDArray[np.int64]  # degrees of freedom of m2
    clipped: Mask  # at or below zero counts in some frame


@inlined
def _without_spikes(
    values: Array, ordered: Array, typical: float, z: float, average: float, squares: float
) -> tuple[int, float, float]:
    """Frames kept of one element, their mean less the first frame, and their squared deviations.

    `average` and `squares` come back where there is no spike, or more than are spikes.
    """
    frames, first = len(values), values[0]
    for f in range(frames):
        insert(ordered, f, values[f])
    middle = middle_of(ordered, frames)
    for f in range(frames):
        insert(ordered, f, abs(values[f] - middle))
    spread = MAD_TO_SIGMA * middle_of(ordered, frames)
    limit = z * max(spread, typical)
    spikes = 0
    for f in range(frames):
        if abs(values[f] - middle) > limit:
            spikes += 1
    if not 0 < spikes <= max(1, int(frames * SPIKE_SHARE)):
        return frames, average, squares
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
    return kept, average, squares


@compiled
def _sums(
    chunk: NDArray[Any],
    typical: float,
    z: float,
    values: Array,
    ordered: Array,
    of_row: Array,
    n: NDArray[np.int64],
    mean: Array,
    m2: Array,
    clipped: Mask,
) -> None:
    frames, bands, samples = chunk.shape
    s1, s2, low, high = of_row[0], of_row[1], of_row[2], of_row[3]
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
                kept, average, squares = _without_spikes(
                    values, ordered, typical, z, average, squares
                )
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
    of_frames, of_row = np.empty((2, frames)), np.empty((4, samples))
    typical = _typical_noise(block)
    _sums(block, typical, SPIKE_Z, of_frames[0], of_frames[1], of_row, n, mean, m2, clipped)
    dof[...] = n - 1
    return DarkSums(frames, n, mean, m2, dof, clipped)


def _typical_noise(block: NDArray[Any]) -> float:
    """Robust sigma of one frame from the differences of neighbouring frames, 0.5 at least."""
    if len(block) < 2:
        return 0.5
    middle = len(block) // 2
    if block.dtype.kind == "u":
        spread = _median_of_counts(np.abs(block[middle].astype(np.int32) - block[middle - 1]))
    else:
        difference = block[middle].astype(np.float64) - block[middle - 1]
        known = np.abs(difference[np.isfinite(difference)])
        spread = float(np.median(known)) if known.size else 0.0
    return max(MAD_TO_SIGMA * spread / math.sqrt(2), 0.5)


def _median_of_counts(counts: NDArray[np.int32]) -> float:
    """Median of whole numbers, most of them small: they are counted and not put in order."""
    below = np.cumsum(np.bincount(counts.ravel()))
    low, high = np.searchsorted(below, [(counts.size - 1) // 2, counts.size // 2], side="right")
    return float(low + high) / 2


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
