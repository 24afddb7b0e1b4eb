"""Lines whose values rest on less than was measured, drawn along the strips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.flags import QualityFlag
from pipeline.radiometry.preview import Preview
from pipeline.records import Array, Mask

#: What a doubt is called, and its level on the picture's scale, the gravest last.
KINDS = (
    ("dark signal beyond its captures", 1 / 3),
    ("light not seen", 2 / 3),
    ("never written", 1.0),
)


@dataclass(frozen=True, eq=False)
class LineDoubts:
    """A strip's lines in doubt, (line,) each."""

    dark: Mask  # the dark signal is supposed where it may have drifted
    light: Mask  # the irradiance is supposed
    empty: Mask  # the line was never written

    @property
    def any(self) -> bool:
        """Whether there is something to draw."""
        return bool((self.dark | self.light | self.empty).any())

    def drawn(self, lines: NDArray[np.intp], samples: int) -> Array:
        """The picture of the kept lines, (kept line, sample), 0 to 1.

        A kept line shows the gravest doubt up to the next kept one.
        """
        level = np.zeros(self.dark.size)
        for mask, (_, height) in zip((self.dark, self.light, self.empty), KINDS, strict=True):
            level[mask] = height
        return np.repeat(np.maximum.reduceat(level, lines)[:, None], samples, axis=1)

    @property
    def says(self) -> str:
        """The doubts in words."""
        told = [
            f"{name} at lines {_spans(mask)}"
            for mask, (name, _) in zip((self.dark, self.light, self.empty), KINDS, strict=True)
            if mask.any()
        ]
        return "; ".join(told) or "none"


def line_doubts(
    preview: Preview, light: Mask | None, unwritten: Sequence[tuple[int, int]]
) -> LineDoubts:
    """Doubts of a strip.

    Parameters
    ----------
    preview : tells where the dark signal is uncertain, between the lines of its spectra
    light : (line,), where the irradiance is extrapolated; None where it is not known
    unwritten : half-open spans of lines
    """
    grid = preview.plan.spectra
    flagged = (preview.spectra_flags & QualityFlag.DARK_UNCERTAIN) != 0
    at_lines = flagged.any(axis=(0, 2))
    nearest = np.clip(
        np.rint((np.arange(grid.lines) - grid.line_first) / grid.line_step).astype(int),
        0,
        at_lines.size - 1,
    )
    empty = np.zeros(grid.lines, np.bool_)
    for first, stop in unwritten:
        empty[first:stop] = True
    none = np.zeros(grid.lines, np.bool_)
    return LineDoubts(at_lines[nearest], none if light is None else light, empty)


def _spans(mask: Mask, most: int = 3) -> str:
    """Runs of lines, from 0, the last one included."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    runs = [f"{a} to {b - 1}" for a, b in zip(edges[::2], edges[1::2], strict=True)]
    more = f" and {len(runs) - most} more runs" if len(runs) > most else ""
    return ", ".join(runs[:most]) + more
