"""What a recorder may do to counts: repeat lines, or clip them below the sensor's saturation."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Mask

#: Samples looked at first; a line whose few first counts differ is another line.
_PROBE = 16
#: Neighbouring counts, below, that a pile is held against.
_NEIGHBOURS = 8
#: Share of a pile that may lie between it and saturation: stuck and hot elements do.
_ABOVE = 0.1
#: Elements that a pile must reach, and the fullest counts that are tried for it.
_ELEMENTS = 10
_TRIED = 5


def repeated_lines(counts: NDArray[Any], before: NDArray[Any] | None = None) -> Mask:
    """Lines that repeat the one before exactly, (line,).

    Parameters
    ----------
    counts : (line, band, sample) [count]
    before : (band, sample), the line before the first one; without it the first repeats nothing

    Notes
    -----
    Noise never repeats (own arithmetic). A line of one and the same count throughout is overexposed
    or was never written, and is not counted; nor is a line of fewer than `_PROBE` counts, which may
    repeat by chance.
    """
    found = np.zeros(len(counts), np.bool_)
    if not len(counts) or counts[0].size < _PROBE:
        return found
    probed = np.full(len(counts), before is not None)
    probed[1:] = (counts[1:, 0, :_PROBE] == counts[:-1, 0, :_PROBE]).all(axis=1)
    probed[1:] &= (counts[1:, -1, -_PROBE:] == counts[:-1, -1, -_PROBE:]).all(axis=1)
    for line in np.flatnonzero(probed):
        this, last = counts[line], counts[line - 1] if line else before
        found[line] = bool((this == last).all()) and bool((this != this[0, 0]).any())
    return found


class Pile(NamedTuple):
    """Counts that gather at one value below saturation."""

    at: int  # [count]
    share: float  # of all samples
    times: float  # over the most that a neighbouring count holds


NO_PILE = Pile(0, 0.0, 0.0)


def pile_up(counts: NDArray[Any], saturation_counts: float) -> Pile | None:
    """The count at which samples gather at the upper end, below saturation.

    Parameters
    ----------
    counts : (line, ...) raw counts of whole numbers; others tell nothing, None

    Returns
    -------
    The count, below `saturation_counts`, that holds most over its neighbours below, has next to
    nothing between itself and saturation, and is reached by `_ELEMENTS` elements or more: one
    that is stuck makes a pile of its own. `NO_PILE` without any.
    """
    if counts.dtype.kind not in "ui" or not counts.size:
        return None
    below = counts[(counts < saturation_counts) & (counts >= 0)]
    if not below.size:
        return NO_PILE
    held = np.bincount(below.ravel().astype(np.int64, copy=False))
    above = held.sum() - np.cumsum(held)
    padded = np.concatenate([np.zeros(_NEIGHBOURS, held.dtype), held[:-1]])
    beside = np.lib.stride_tricks.sliding_window_view(padded, _NEIGHBOURS).max(axis=1)
    times = np.where(above < _ABOVE * held, held / np.maximum(beside, 1), 0.0)
    times[:_NEIGHBOURS] = 0.0
    for at in np.argsort(times)[: -_TRIED - 1 : -1]:
        reached = int((counts == at).any(axis=0).sum())
        if times[at] > 0 and reached >= _ELEMENTS:
            return Pile(int(at), float(held[at]) / counts.size, float(times[at]))
    return NO_PILE
