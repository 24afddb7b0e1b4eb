"""Frames of a dark capture: their levels, and those that lie apart from the rest."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled.call import compiled
from pipeline.radiometry.robust import MAD_TO_SIGMA
from pipeline.records import Array, Mask

#: Below this, a departure of a frame's mean level cannot matter to the mean dark [count].
LEVEL_SIGMA_FLOOR = 0.01
#: Share of the frames that must be the dark itself before a block of others is rejected.
MAJORITY = 0.6

_WINDOW = 101
_EDGE = 21
_STEP_HALF = 5
_STEP_Z = 8.0


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
        totals = np.empty(len(flat))
        _frame_totals(np.ascontiguousarray(flat), totals)
        return totals / flat.shape[1]
    return cast(Array, flat.mean(axis=1, dtype=np.float64))


@compiled
def _frame_totals(flat: NDArray[np.uint16], totals: Array) -> None:
    for f in range(flat.shape[0]):
        total = 0
        for i in range(flat.shape[1]):
            total += flat[f, i]
        totals[f] = total


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
    middle = _WINDOW // 2
    # All whole windows at once; towards the ends they are narrower, each of another width.
    whole = range(middle, n - middle)
    if whole:
        windows = np.lib.stride_tricks.sliding_window_view(levels, _WINDOW)
        course[middle : n - middle] = np.median(windows, axis=1)
    for i in range(edge, n - edge):
        if i not in whole:
            half = min(i, n - 1 - i)
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
