"""The one reader of comma-separated tables."""

from __future__ import annotations

import csv
import math
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.files import open_regular
from pipeline.read.times import utc_seconds
from pipeline.records import Array

Kind = Literal["number", "time", "integer"]

_TABLE_BYTES = 200_000_000
_LINE_BYTES = 65_536
# Text is turned into numbers in pieces, so that a long track does not sit in memory as text.
_ROWS_AT_ONCE = 20_000

# Possessive, for a long cell would cost the square of its length in backtracking.
_NUMBER = re.compile(r"[+-]?(?:[0-9]++\.?[0-9]*+|\.[0-9]++)(?:[eE][+-]?[0-9]++)?")
_INTEGER = re.compile(r"[+-]?[0-9]{1,15}")


def read_table(
    path: Path, columns: Mapping[str, Kind], optional: Iterable[str] = ()
) -> dict[str, NDArray[Any]]:
    """Read named columns of a CSV file.

    Parameters
    ----------
    path : UTF-8 text, commas, one header line of column names; blank lines are skipped
    columns : name and kind of each wanted column; other columns of the file are ignored
    optional : those of `columns` that may be absent, and are then absent from the result

    Returns
    -------
    name to (row,) arrays: float64 for "number", float64 seconds since 1970 UTC for "time"
    (ISO 8601; without an offset it is UTC), int64 for "integer"

    Raises
    ------
    InputError
        Naming line and column: unreadable, not UTF-8, larger than 200 MB, no rows, another
        separator, a missing or repeated column, a row of other length, a cell that is empty,
        not of its kind, NaN or infinite.
    """
    return read_rows(path, columns, optional)[0]


def read_rows(
    path: Path, columns: Mapping[str, Kind], optional: Iterable[str] = ()
) -> tuple[dict[str, NDArray[Any]], NDArray[np.int64]]:
    """As `read_table`, and beside it the file's line number of each row, counted from 1."""
    path = Path(path)
    try:
        with open_regular(path) as file:
            size = os.fstat(file.fileno()).st_size
            if size > _TABLE_BYTES:
                raise InputError(f"{size} bytes; a table has at most {_TABLE_BYTES}", where=path)
            return _read(_text_lines(file, path), path, columns, frozenset(optional))
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=path) from None


def _text_lines(file: BinaryIO, path: Path) -> Iterator[str]:
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


def _read(
    lines: Iterator[str], path: Path, columns: Mapping[str, Kind], optional: frozenset[str]
) -> tuple[dict[str, NDArray[Any]], NDArray[np.int64]]:
    reader = csv.reader(lines, strict=True, skipinitialspace=True)
    rows = _full_rows(reader, path)
    _, names = next(rows, (0, []))
    places = _places([name.strip() for name in names], path, columns, optional)
    parts: dict[str, list[NDArray[Any]]] = {name: [] for name in places}
    numbers: list[NDArray[np.int64]] = []
    while piece := list(islice(rows, _ROWS_AT_ONCE)):
        line_of = [line for line, _ in piece]
        for line, row in piece:
            if len(row) != len(names):
                raise InputError(
                    f"expected {len(names)} cells, got {len(row)}",
                    where=path,
                    line=line,
                    do="Decimal commas are not read; use points" if len(row) > len(names) else "",
                )
        for name, place in places.items():
            cells = [row[place].strip() for _, row in piece]
            parts[name].append(_converted(cells, columns[name], name, line_of, path))
        numbers.append(np.array(line_of, dtype=np.int64))
    if not numbers:
        raise InputError("the table has no rows", where=path)
    return {name: np.concatenate(part) for name, part in parts.items()}, np.concatenate(numbers)


def _full_rows(reader: Any, path: Path) -> Iterator[tuple[int, list[str]]]:
    """Line number and cells of each row that is not blank."""
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise InputError(
                f"not comma-separated: {error}", where=path, line=max(reader.line_num, 1)
            ) from None
        if row and (len(row) > 1 or row[0].strip()):
            yield reader.line_num, row


def _places(
    names: list[str], path: Path, columns: Mapping[str, Kind], optional: frozenset[str]
) -> dict[str, int]:
    """Where each wanted column stands in a row."""
    if not names:
        raise InputError("the file is empty", where=path, do=f"Expected {','.join(columns)}")
    if len(names) == 1:
        for separator, word in ((";", "semicolons"), ("\t", "tabs")):
            if separator in names[0]:
                raise InputError(
                    f"the cells are separated by {word}; expected commas", where=path, line=1
                )
    places: dict[str, int] = {}
    for name in columns:
        if names.count(name) > 1:
            raise InputError("the column is there twice", where=path, line=1, column=name)
        if name in names:
            places[name] = names.index(name)
        elif name not in optional:
            there = ",".join(names)[:200]
            raise InputError(f"the column is missing; got {there}", where=path, line=1, column=name)
    return places


def _converted(
    cells: list[str], kind: Kind, name: str, line_of: list[int], path: Path
) -> NDArray[Any]:
    """Cells as an array; on failure the first bad cell is looked for and named."""
    converters: dict[Kind, Callable[[str], float]] = {
        "number": _number,
        "time": utc_seconds,
        "integer": _integer,
    }
    convert = converters[kind]
    try:
        return np.array(
            [convert(cell) for cell in cells], dtype=np.int64 if kind == "integer" else np.float64
        )
    except (ValueError, OverflowError):
        for line, cell in zip(line_of, cells, strict=True):
            try:
                convert(cell)
            except (ValueError, OverflowError) as error:
                what = "the cell is empty" if not cell else f"{cell[:40]!r}: {error}"
                raise InputError(what, where=path, line=line, column=name) from None
        raise


def _number(cell: str) -> float:
    # float() alone would take "nan", "1_000" and the digits of other scripts.
    if not _NUMBER.fullmatch(cell):
        raise ValueError("expected a number")
    value = float(cell)
    if math.isinf(value):
        raise ValueError("expected a finite number")
    return value


def _integer(cell: str) -> int:
    if not _INTEGER.fullmatch(cell):
        raise ValueError("expected a whole number")
    return int(cell)


def require_increasing(values: Array, line_of: NDArray[np.int64], path: Path, column: str) -> None:
    """InputError naming the first line whose value is not above that of the row before."""
    bad = np.flatnonzero(np.diff(values) <= 0)
    if bad.size:
        raise InputError(
            "not above the row before; expected strictly increasing values",
            where=path,
            line=int(line_of[bad[0] + 1]),
            column=column,
        )
