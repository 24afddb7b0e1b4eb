"""Lines that were never written: zeros, or one value throughout."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Mask

#: Samples looked at first; a line whose few first counts differ was written.
_PROBE = 16

Span = tuple[int, int]


def never_written(counts: NDArray[Any], saturation_counts: float) -> Mask:
    """Lines that hold one and the same count in every band and sample, (line,).

    Parameters
    ----------
    counts : (line, band, sample) [count]; a line with a NaN was written
    saturation_counts : [count] a line of this or more throughout is overexposed, not unwritten

    Notes
    -----
    Noise never gives one count throughout (own arithmetic). A line of a single count tells nothing
    and passes as written.
    """
    lines = len(counts)
    found = np.zeros(lines, np.bool_)
    if counts[:1].size < 2:
        return found
    first = counts[:, 0, 0]
    probed = (counts[:, 0, :_PROBE] == first[:, None]).all(axis=1)
    probed &= (counts[:, -1, -_PROBE:] == first[:, None]).all(axis=1)
    for line in np.flatnonzero(probed & (first < saturation_counts)):
        found[line] = bool((counts[line] == first[line]).all())
    return found


def spans_between(
    looked: NDArray[np.intp], unwritten: Mask, is_unwritten: Callable[[int], bool]
) -> list[Span]:
    """Half-open spans of unwritten lines, their ends sought by bisection between lines looked at.

    Parameters
    ----------
    looked : (line,) increasing, the first and the last line of the strip among them
    unwritten : alike
    is_unwritten : looks at one more line
    """

    def edge(before: int, after: int, want: bool) -> int:
        """The first line in (before, after] that is as `want` says."""
        while after - before > 1:
            middle = (before + after) // 2
            before, after = (before, middle) if is_unwritten(middle) is want else (middle, after)
        return after

    spans: list[Span] = []
    start: int | None = None
    for i, line in enumerate(looked):
        if unwritten[i] and start is None:
            start = int(line) if i == 0 else edge(int(looked[i - 1]), int(line), True)
        elif not unwritten[i] and start is not None:
            spans.append((start, edge(int(looked[i - 1]), int(line), False)))
            start = None
    if start is not None:
        spans.append((start, int(looked[-1]) + 1))
    return spans
