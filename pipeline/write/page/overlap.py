"""The two strips that differ most, on the ground that both saw: a picture with its numbers."""

from __future__ import annotations

import math

import numpy as np
from markupsafe import escape

from pipeline.foreign import in_page
from pipeline.radiometry.checks.row import percent
from pipeline.radiometry.squares import Overlap
from pipeline.records import Array
from pipeline.write.page.charts import WIDTH, Chart, framed
from pipeline.write.page.pictures import CIVIDIS, mapped

_LABEL, _SCALE, _GAP = 18, 34, 8
#: Height of a picture at the least and at the most, and of a square at the most.
_LOW, _HIGH, _SQUARE = 24, 90, 8
#: Neighbours of four that a hole needs to be filled.
_BESIDE = 3
#: Differences at the ends of the scale are multiples of this.
_END_STEP = 0.1


def overlap_charts(worst: Overlap | None) -> tuple[tuple[str, Chart, str], ...]:
    """Title, chart and note of the worst overlap; none where there is no overlap."""
    if worst is None:
        return ()
    first, second, apart = (
        _plane(worst, values) for values in (worst.of_first, worst.of_second, worst.apart)
    )
    high = float(np.nanpercentile(np.stack([first, second]), 98)) or 1.0
    end = max(math.ceil(2 * abs(worst.difference) / _END_STEP), 1) * _END_STEP
    rows = (
        (f"{worst.first}, mean over the bands", mapped(first, high)),
        (f"{worst.second} on the same ground", mapped(second, high)),
        (f"{worst.second} less {worst.first}, over their mean", mapped(0.5 + apart / (2 * end), 1)),
    )
    lines, samples = apart.shape
    height = int(np.clip(WIDTH * samples / lines, _LOW, min(_HIGH, _SQUARE * samples)))
    parts, at = [], 0
    for name, uri in rows:
        parts.append(f'<text x="0" y="{at + 13}">{escape(in_page(name))}</text>')
        parts.append(
            f'<image x="0" y="{at + _LABEL}" width="{WIDTH}" height="{height}" href="{uri}" '
            'preserveAspectRatio="none" style="image-rendering:pixelated"/>'
        )
        at += _LABEL + height + _GAP
    parts.append(_scale(at, end))
    brighter = "brighter" if worst.difference > 0 else "darker"
    size = f"{percent(abs(worst.difference))} {brighter}"
    alt = f"Overlap of {worst.first} and {worst.second}: {worst.second} is {size}"
    note = (
        f"{worst.second} is {size} than {worst.first}, standard error {percent(worst.error)}, over "
        f"{worst.apart.size} cells that both saw. Lines of {worst.first} run from left to right, "
        "its samples downward. Light that changed between the strips and a ground that looks "
        "brighter from one side look alike here."
    )
    return (("Where two strips differ most", framed("".join(parts), alt, at + _SCALE), note),)


def _plane(worst: Overlap, values: Array) -> Array:
    """The cells by row and column of the first strip's squares, NaN where there is none.

    A square that shares its cell with another one leaves a hole, which takes what lies around it.
    """
    row, column = worst.row - worst.row.min(), worst.column - worst.column.min()
    plane = np.full((int(row.max()) + 1, int(column.max()) + 1), np.nan)
    plane[row, column] = values
    around = np.pad(plane, 1, constant_values=np.nan)
    beside = np.stack([around[:-2, 1:-1], around[2:, 1:-1], around[1:-1, :-2], around[1:-1, 2:]])
    known = np.isfinite(beside)
    hole = ~np.isfinite(plane) & (known.sum(axis=0) >= _BESIDE)
    plane[hole] = np.where(known, beside, 0).sum(axis=0)[hole] / known.sum(axis=0)[hole]
    return plane


def _scale(at: int, end: float) -> str:
    """The colours of a difference, and what their ends and their middle are."""
    step = WIDTH / len(CIVIDIS)
    bars = "".join(
        f'<rect x="{i * step:.2f}" y="{at}" width="{step + 0.3:.2f}" height="8" fill="{colour}"/>'
        for i, colour in enumerate(CIVIDIS)
    )
    told = f"{100 * end:.0f} %"
    ends = (("start", 0, f"\u2212{told}"), ("middle", WIDTH // 2, "0"), ("end", WIDTH, f"+{told}"))
    texts = "".join(
        f'<text x="{x}" y="{at + 24}" text-anchor="{anchor}">{text}</text>'
        for anchor, x, text in ends
    )
    return bars + texts
