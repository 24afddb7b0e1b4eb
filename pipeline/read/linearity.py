"""The table of a detector's linearity."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.errors import InputError
from pipeline.read.csv_table import read_rows
from pipeline.records import Array


@dataclass(frozen=True, eq=False)
class Linearity:
    """Counts as they are recorded, and as a linear detector would have given them."""

    counts: Array  # (row,) [count] strictly increasing, like the other
    linear_counts: Array  # (row,) [count]


def read_linearity(path: Path, saturation_counts: float) -> Linearity:
    """Read a detector's linearity: `counts,linear_counts`, linear between the rows.

    Raises
    ------
    InputError
        Naming the line: fewer than two rows, values that do not increase, a first row above 0
        counts or a last one below `saturation_counts`, outside which nothing would be known.
    """
    names = ("counts", "linear_counts")
    rows = read_rows(path, dict.fromkeys(names, "number"))
    counts, linear = (rows.columns[name] for name in names)
    lines = rows.line_of
    if counts.size < 2:
        raise InputError("one row only; expected two or more", where=path, line=int(lines[0]))
    for name in names:
        rows.require_increasing(name)
    first, last = np.zeros(counts.size, bool), np.zeros(counts.size, bool)
    first[0], last[-1] = counts[0] > 0, counts[-1] < saturation_counts
    rows.refuse(first, "counts", "a first row at 0 counts or below")
    rows.refuse(last, "counts", f"a last row at saturation_counts, {saturation_counts:g}, or above")
    return Linearity(counts, linear)
