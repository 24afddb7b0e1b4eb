"""The one reader of tables of separated cells, in their own words."""

from __future__ import annotations

import csv
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import chain, islice
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.files import open_regular
from pipeline.read.cells import Cells, Kind
from pipeline.read.table_words import PLAIN, Words
from pipeline.records import Array

_TABLE_BYTES = 200_000_000
_LINE_BYTES = 65_536
# Text is turned into numbers in pieces, so that a long track does not sit in memory as text.
_ROWS_AT_ONCE = 20_000
#: Lines in which the line of column names is looked for; a logger may put some words before it.
_HEAD_LINES = 40
_DELIMITERS = (",", ";", "\t", "|", " ")


@dataclass(frozen=True, eq=False)
class Rows:
    """A table's wanted columns, and where each row stands in the file."""

    path: Path
    words: Words
    columns: Mapping[str, NDArray[Any]]  # by our names, (row,) each
    more: Mapping[str, Array]  # by the table's own names: the columns that `more` took
    line_of: NDArray[np.int64]  # (row,) line number in the file, counted from 1

    def refuse(self, bad: NDArray[np.bool_], name: str, expected: str, do: str = "") -> None:
        """InputError naming the first bad row's line, and its value in a column of ours."""
        if bad.any():
            row = int(np.argmax(bad))
            raise InputError(
                f"{self.columns[name][row]:g}; expected {expected}",
                where=self.path,
                line=int(self.line_of[row]),
                column=self.words.theirs(name),
                do=do,
            )

    def require_increasing(self, name: str) -> None:
        """InputError naming the first line whose value is not above that of the row before."""
        bad = np.flatnonzero(np.diff(self.columns[name]) <= 0)
        if bad.size:
            raise InputError(
                "not above the row before; expected strictly increasing values",
                where=self.path,
                line=int(self.line_of[bad[0] + 1]),
                column=self.words.theirs(name),
            )


def read_table(
    path: Path,
    columns: Mapping[str, Kind],
    optional: Iterable[str] = (),
    words: Words = PLAIN,
) -> dict[str, NDArray[Any]]:
    """Read named columns of a table: `read_rows` without what only its own readers need."""
    return dict(read_rows(path, columns, optional, words).columns)


def read_rows(
    path: Path,
    columns: Mapping[str, Kind],
    optional: Iterable[str] = (),
    words: Words = PLAIN,
    more: Callable[[str], bool] | None = None,
) -> Rows:
    """Read named columns of a table of separated cells.

    Parameters
    ----------
    path : UTF-8 text with a line of column names, before which a logger may have put some words;
        blank lines are skipped. Delimiter and decimal sign are found where `words` has none.
    columns : name and kind of each wanted column; other columns of the file are ignored
    optional : those of `columns` that may be absent, and are then absent from the result
    words : the table's own names, separators and form of time
    more : takes further columns of numbers by the table's own names

    Returns
    -------
    Rows: float64 for "number", float64 seconds since 1970 UTC for "time", int64 for "integer"

    Raises
    ------
    InputError
        Naming line and column: unreadable, not UTF-8, larger than 200 MB, no rows, a missing or
        repeated column, a row of other length, a cell that is empty, not of its kind, NaN or
        infinite.
    """
    path = Path(path)
    try:
        with open_regular(path) as file:
            size = os.fstat(file.fileno()).st_size
            if size > _TABLE_BYTES:
                raise InputError(f"{size} bytes; a table has at most {_TABLE_BYTES}", where=path)
            table = _Table(path, columns, frozenset(optional), words, more)
            return table.read(_text_lines(file, path))
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=path) from None


def _text_lines(file: IO[bytes], path: Path) -> Iterator[str]:
    number = 0
    while raw := file.readline(_LINE_BYTES + 1):
        number += 1
        if len(raw) > _LINE_BYTES:
            raise InputError(f"longer than {_LINE_BYTES} bytes", where=path, line=number)
        if number == 1:
            raw = raw.removeprefix(b"\xef\xbb\xbf")
        if b"\0" in raw:
            raise InputError("not a text file: it holds zero bytes", where=path, line=number)
        try:
            yield raw.decode()
        except UnicodeDecodeError:
            raise InputError("not UTF-8 text", where=path, line=number) from None


@dataclass(frozen=True)
class _Table:
    """What is wanted of a table, and what is found of it."""

    path: Path
    kinds: Mapping[str, Kind]
    optional: frozenset[str]
    words: Words
    more: Callable[[str], bool] | None

    def read(self, lines: Iterator[str]) -> Rows:
        head = list(islice(lines, _HEAD_LINES))
        skipped, delimiter = self._header(head)
        reader = csv.reader(
            chain(head[skipped:], lines), delimiter=delimiter, strict=True, skipinitialspace=True
        )
        rows = self._full_rows(reader, skipped)
        first, names = next(rows, (1, []))
        names = [name.strip() for name in names]
        places = self._places(names, first)
        more = [name for name in places if name not in self.kinds]
        kinds: dict[str, Kind] = {n: self.kinds.get(n, "number") for n in places}
        cells = Cells(self.path, kinds, self.words)
        while piece := list(islice(rows, _ROWS_AT_ONCE)):
            for line, row in piece:
                if len(row) != len(names):
                    raise self._uneven(row, names, line, delimiter)
            columns = {name: [row[at].strip() for _, row in piece] for name, at in places.items()}
            cells.add(columns, [line for line, _ in piece])
        whole, line_of = cells.whole()
        return Rows(self.path, self.words, whole, {n: whole.pop(n) for n in more}, line_of)

    def _uneven(self, row: list[str], names: list[str], line: int, delimiter: str) -> InputError:
        commas = delimiter == "," and len(row) > len(names)
        what = f"expected {len(names)} cells, got {len(row)}"
        return InputError(
            f"{what}; decimal commas between commas cannot be told apart" if commas else what,
            where=self.path,
            line=line,
            do="Save the table with semicolons or with decimal points" if commas else "",
        )

    def _header(self, head: list[str]) -> tuple[int, str]:
        """Lines before the one with the column names, and the delimiter."""
        wanted = [self.words.theirs(n) for n in self.kinds if n not in self.optional]
        delimiters = [self.words.delimiter] if self.words.delimiter else _DELIMITERS
        likely = (0, -1, delimiters[0])
        for number, line in enumerate(head):
            for delimiter in delimiters:
                names = _split(line, delimiter)
                known = sum(_found(name, names) is not None for name in wanted)
                if known == len(wanted):
                    return number, delimiter
                if known > likely[1]:
                    likely = (number, known, delimiter)
        # No line has all the names: the refusal shows the one that has most, else the first.
        number, known, delimiter = likely
        if known <= 0:
            number = next((i for i, line in enumerate(head) if line.strip()), 0)
            line = head[number] if head else ""
            delimiter = max(delimiters[:4], key=line.count)
        return number, delimiter

    def _full_rows(self, reader: Any, skipped: int) -> Iterator[tuple[int, list[str]]]:
        """Line number and cells of each row that is not blank."""
        while True:
            try:
                row = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                raise InputError(
                    f"not a table of separated cells: {error}",
                    where=self.path,
                    line=skipped + max(reader.line_num, 1),
                ) from None
            if row and (len(row) > 1 or row[0].strip()):
                yield skipped + reader.line_num, row

    def _places(self, names: list[str], line: int) -> dict[str, int]:
        """Where each wanted column stands in a row; those that `more` takes by their own names."""
        if not names:
            expected = ",".join(map(self.words.theirs, self.kinds))
            raise InputError("the file is empty", where=self.path, do=f"Expected {expected}")
        places: dict[str, int] = {}
        for name in self.kinds:
            theirs = self.words.theirs(name)
            if sum(one == theirs for one in names) > 1:
                raise InputError(
                    "the column is there twice", where=self.path, line=line, column=theirs
                )
            at = _found(theirs, names)
            if at is not None:
                places[name] = at
            elif name not in self.optional or name in self.words.columns:
                raise InputError(
                    f"the column is missing; got {','.join(names)[:200]}",
                    where=self.path,
                    line=line,
                    column=theirs,
                    do=self._naming(name),
                )
        if self.more is not None:
            for at, theirs in enumerate(names):
                if at not in places.values() and self.more(theirs):
                    if theirs in places:
                        raise InputError(
                            "the column is there twice", where=self.path, line=line, column=theirs
                        )
                    places[theirs] = at
        return places

    def _naming(self, name: str) -> str:
        if not self.words.key:
            return ""
        return f'Say which one it is: {self.words.key}.columns = {{ {name} = "..." }}'


def _split(line: str, delimiter: str) -> list[str]:
    """Cells of a line of names."""
    try:
        cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return []
    return [cell.strip() for cell in cells]


def _found(name: str, names: list[str]) -> int | None:
    """Place of a name: as it is written, else the only one that differs by case alone."""
    if name in names:
        return names.index(name)
    alike = [i for i, one in enumerate(names) if one.casefold() == name.casefold()]
    return alike[0] if len(alike) == 1 else None
