"""Columns of cells as numbers and times."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.read.table_words import Words
from pipeline.read.times import numeric_forms, seconds_of, utc_seconds

Kind = Literal["number", "time", "integer"]

# Possessive, for a long cell would cost the square of its length in backtracking.
_NUMBER = re.compile(r"[+-]?(?:[0-9]++\.?[0-9]*+|\.[0-9]++)(?:[eE][+-]?[0-9]++)?")
_INTEGER = re.compile(r"[+-]?[0-9]{1,15}")
_COMMA = re.compile(r"[+-]?[0-9]*+,[0-9]++")


class Cells:
    """The columns as they grow, piece by piece."""

    def __init__(self, path: Path, kinds: Mapping[str, Kind], words: Words) -> None:
        self._path, self._kinds, self._words = path, kinds, words
        self._parts: dict[str, list[NDArray[Any]]] = {name: [] for name in kinds}
        self._lines: list[NDArray[np.int64]] = []
        self._decimal = words.decimal

    def add(self, columns: Mapping[str, list[str]], line_of: list[int]) -> None:
        """Convert a piece: the cells of each column, and the line number of each row."""
        if self._decimal is None:
            self._decimal = self._sign(columns)
        for name, column in columns.items():
            self._parts[name].append(self._converted(name, column, line_of))
        self._lines.append(np.array(line_of, dtype=np.int64))

    def whole(self) -> tuple[dict[str, NDArray[Any]], NDArray[np.int64]]:
        """The columns, (row,) each, and the line number of each row."""
        if not self._lines:
            raise InputError("the table has no rows", where=self._path)
        columns = {name: np.concatenate(parts) for name, parts in self._parts.items()}
        return columns, np.concatenate(self._lines)

    def _sign(self, columns: Mapping[str, list[str]]) -> str | None:
        """The decimal sign of a piece's numbers; None where they are all whole."""
        signs = {
            sign
            for name, column in columns.items()
            if self._is_number(name)
            for cell in column
            for sign in ",."
            if sign in cell
        }
        return "," if signs == {","} else "." if signs else None

    def _is_number(self, name: str) -> bool:
        kind = self._kinds[name]
        return kind == "number" or (kind == "time" and self._words.time != "iso")

    def _converted(self, name: str, cells: list[str], line_of: list[int]) -> NDArray[Any]:
        """Cells as an array; on failure the first bad cell is looked for and named."""
        convert = self._converter(name)
        whole = self._kinds[name] == "integer"
        try:
            return np.array([convert(cell) for cell in cells], np.int64 if whole else np.float64)
        except (ValueError, OverflowError):
            for line, cell in zip(line_of, cells, strict=True):
                try:
                    convert(cell)
                except (ValueError, OverflowError) as error:
                    raise InputError(
                        f"{cell[:40]!r}: {error}" if cell else "the cell is empty",
                        where=self._path,
                        line=line,
                        column=self._words.theirs(name),
                        do=self._mend(name, cell),
                    ) from None
            raise

    def _converter(self, name: str) -> Callable[[str], float]:
        words, comma = self._words, self._decimal == ","

        def number(cell: str) -> float:
            if not comma:
                return _number(cell)
            if "." in cell:  # it may stand for thousands
                raise ValueError("a point in a number, where others have a decimal comma")
            return _number(cell.replace(",", "."))

        def time(cell: str) -> float:
            if words.time == "iso":
                return utc_seconds(cell, words.zone_s) + words.offset_s
            return seconds_of(number(cell), words.time) + words.offset_s

        return {"number": number, "time": time, "integer": _integer}[self._kinds[name]]

    def _mend(self, name: str, cell: str) -> str:
        """The line of config by which a cell could be read, where there is one."""
        words, kind = self._words, self._kinds[name]
        if self._is_number(name) and _COMMA.fullmatch(cell):
            return words.say('decimal = ","')
        if kind == "time" and words.time == "iso" and _NUMBER.fullmatch(cell.replace(",", ".")):
            forms = numeric_forms(float(cell.replace(",", ".")))
            return words.say(" or ".join(f'time = "{form}"' for form in forms)) if forms else ""
        if kind == "time" and words.time != "iso" and "-" in cell[1:]:
            return words.say('time = "iso"')
        return ""


def _number(cell: str) -> float:
    # float() alone would take "nan", "1_000" and the digits of other scripts.
    if not _NUMBER.fullmatch(cell):
        comma = _COMMA.fullmatch(cell)
        raise ValueError("a decimal comma; expected a point" if comma else "expected a number")
    value = float(cell)
    if math.isinf(value):
        raise ValueError("expected a finite number")
    return value


def _integer(cell: str) -> int:
    if not _INTEGER.fullmatch(cell):
        raise ValueError("expected a whole number")
    return int(cell)
