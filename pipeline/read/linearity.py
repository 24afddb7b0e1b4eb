"""A detector's linearity: its table, and a reader whose counts are linear by it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.read.csv_table import read_rows
from pipeline.read.reader import Digest, Reader
from pipeline.records import Array32, Capture, Linearity


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
    return Linearity(counts, linear, saturation_counts)


def linear_counts(counts: NDArray[Any], table: Linearity) -> Array32:
    """Counts of any shape and type made linear, float32; NaN stay NaN.

    Straight between the table's rows, on with the last two beyond its end, and scaled so that
    saturation_counts stays what it is.
    """
    slope = np.diff(table.linear_counts[-2:]) / np.diff(table.counts[-2:])
    values = np.asarray(counts, np.float64)
    found = np.interp(values, table.counts, table.linear_counts)
    found = found + np.maximum(values - table.counts[-1], 0.0) * slope
    at_saturation = np.interp(table.saturation_counts, table.counts, table.linear_counts)
    return np.asarray(found / at_saturation * table.saturation_counts, np.float32)


class LinearReader:
    """A reader whose counts are made linear, whatever form its files have.

    Whole numbers of 16 bits are looked up in a table of them all; the digest is of the files.
    """

    def __init__(self, reader: Reader, table: Linearity) -> None:
        self._reader, self._table = reader, table
        self._of_every_count: Array32 | None = None

    @property
    def capture(self) -> Capture:
        """The capture that is read."""
        return self._reader.capture

    def __enter__(self) -> Self:
        self._reader.__enter__()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._reader.__exit__(kind, error, trace)

    def lines(self, start: int, stop: int) -> NDArray[Any]:
        """Linear counts of lines start to stop, stop not included."""
        return self._linear(self._reader.lines(start, stop))

    def blocks(
        self, lines_per_block: int, *, digest: Digest | None = None, once: bool = False
    ) -> Iterator[tuple[int, NDArray[Any]]]:
        """All lines in order, as the reader's own blocks."""
        for start, counts in self._reader.blocks(lines_per_block, digest=digest, once=once):
            yield start, self._linear(counts)

    def give_back(self, start: int) -> None:
        """Let the memory of the block that starts at a line be filled by a later one."""
        self._reader.give_back(start)

    def add_to(self, digest: Digest) -> None:
        """Let a digest take in the data as it lies in the files."""
        self._reader.add_to(digest)

    def _linear(self, counts: NDArray[Any]) -> Array32:
        if counts.dtype != np.uint16:
            return linear_counts(counts, self._table)
        if self._of_every_count is None:
            self._of_every_count = linear_counts(np.arange(1 << 16), self._table)
        return np.asarray(self._of_every_count[counts])
