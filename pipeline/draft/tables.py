"""What each table of a folder is, from its columns and values, and how it is written."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np

from pipeline.draft.header_words import time_forms
from pipeline.errors import InputError
from pipeline.files import open_regular
from pipeline.read.times import Form, seconds_of, utc_seconds
from pipeline.records import Array

Kind = Literal["line_times", "track", "irradiance", "certificate"]

#: Bytes of a table that are looked at: its first rows tell what it is.
_LOOK_BYTES = 4 << 20
_HEAD_LINES = 40
_DELIMITERS = (";", "\t", ",", "|", " ")
#: Rows that are looked at for what a column can be.
_ROWS = 400
#: Wavelengths of a certificate [nm], and its values as fractions and in percent.
_NM, _FRACTION, _PERCENT = (300.0, 2600.0), 1.2, 120.0
#: Stems of column names (common practice, no source).
_STEMS = {
    "latitude": ("lat",),
    "longitude": ("lon", "lng"),
    "height_m": ("height", "agl", "alt", "elev", "hgt", "msl"),
    "roll_deg": ("roll",),
    "pitch_deg": ("pitch",),
    "heading_deg": ("heading", "yaw", "azimuth", "hdg"),
    "irradiance": ("irrad", "ghi", "light", "lux", "par", "sun", "down", "sky"),
    "reflectance": ("refl", "rho", "albedo", "factor", "value"),
    "expanded_uncertainty": ("expanded", "uncert", "u95", "error", "sigma", "std", "dev", "tol"),
}
_ABOVE_SEA = re.compile("msl|asl|sea|ellips|geoid|orthom")
_ABOVE_GROUND = re.compile("agl|ground|rel|above_home")
_K_ONE = re.compile(r"std|sigma|standard|k ?= ?1\b")


@dataclass(frozen=True, eq=False)
class Text:
    """A table as text: its column names, and its first rows."""

    path: Path
    delimiter: str
    names: tuple[str, ...]
    cells: tuple[tuple[str, ...], ...]  # (row, column)

    def column(self, name: str) -> list[str]:
        """The cells of a column."""
        at = self.names.index(name)
        return [row[at] for row in self.cells]

    def numbers(self, name: str) -> Array:
        """The numbers of a column; empty where one cell is none."""
        cells = self.column(name)
        commas = any("," in c for c in cells) and not any("." in c for c in cells)
        try:
            return np.array([float(c.replace(",", ".") if commas else c) for c in cells])
        except ValueError:
            return np.empty(0)


@dataclass(frozen=True)
class Times:
    """What times may mean."""

    spans_s: Mapping[Form, tuple[float, float]]  # first and last by form, as if in UTC
    zoned: bool  # they name their zone, or are of a form that needs none


def seconds_in(cells: Sequence[str], form: Form) -> Array:
    """Seconds since 1970 of times in one form, as if in UTC where they name no zone."""
    if form == "iso":
        return np.array([utc_seconds(cell) for cell in cells])
    return np.array([seconds_of(float(cell.replace(",", ".")), form) for cell in cells])


def times_of(cells: Sequence[str], forms: Sequence[Form]) -> Times:
    """What the times of a column, or of headers, may mean."""
    seconds = {form: seconds_in(cells, form) for form in forms}
    zoned = "iso" not in forms or bool(re.search(r"[Zz]$|[+-]\d\d:?\d\d$", cells[0][10:]))
    return Times({f: (float(s.min()), float(s.max())) for f, s in seconds.items()}, zoned)


@dataclass(frozen=True, eq=False)
class Table:
    """A table, and how the config says that it is written."""

    path: Path
    kind: Kind
    columns: Mapping[str, str]  # our name to the table's own, where they differ
    times: Times | None = None
    step_s: float = math.nan  # median step of its times
    angle: Literal["deg", "rad"] = "deg"
    scale: float = 1.0
    k: float = 2.0  # coverage factor that the name of the uncertainty tells
    above_sea: bool = False  # its heights are, by the column's name
    level: float = math.nan  # a certificate's median reflectance
    undecided: tuple[str, ...] = field(default=())


def read_text(path: Path) -> Text | None:
    """A table's names and first rows; None where a file is no table."""
    try:
        with open_regular(path) as file:
            raw = file.read(_LOOK_BYTES + 1)
        text = raw.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError, InputError):
        return None
    if "\0" in text:
        return None
    lines = text.splitlines()
    if len(raw) > _LOOK_BYTES:
        lines = lines[:-1]
    for number, line in enumerate(lines[:_HEAD_LINES]):
        for delimiter in _DELIMITERS:
            names = _split(line, delimiter)
            if len(names) < 2 or not all(names) or len(set(names)) < len(names):
                continue
            rows = [_split(row, delimiter) for row in lines[number + 1 :] if row.strip()]
            if rows and _is_table(names, rows):
                return Text(path, delimiter, tuple(names), tuple(map(tuple, rows)))
    return None


def _split(line: str, delimiter: str) -> list[str]:
    try:
        row = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return []
    return [cell.strip() for cell in row]


def _is_table(names: Sequence[str], rows: Sequence[Sequence[str]]) -> bool:
    """A line of names, above rows of as many cells that are numbers or times."""
    if any(len(row) != len(names) for row in rows):
        return False
    if _number(names[0]) or time_forms([names[0]]):
        return False
    cells = rows[0]
    return sum(bool(_number(c) or time_forms([c])) for c in cells) >= 0.5 * len(cells)


def _number(cell: str) -> bool:
    return re.fullmatch(r"[+-]?\d*[.,]?\d+(?:[eE][+-]?\d+)?", cell) is not None


def what_is(text: Text, stems: Sequence[str], latest_s: float) -> Table | None:
    """What a table is; None where it is none of ours.

    Parameters
    ----------
    stems : of the captures: a table of line times is named after its capture
    latest_s : no flight is later than this, since 1970
    """
    few = text.cells[:_ROWS] + text.cells[-_ROWS:]
    looked = replace(text, cells=few)
    time_name, forms = _time_column(looked, latest_s)
    if not time_name:
        return _certificate(text)
    table = _timed(text, time_name, forms)
    names = {name: _named(text, name, time_name) for name in ("latitude", "longitude")}
    if all(names.values()):
        return _track(looked, table, names)
    if any(stem in text.path.name for stem in stems):
        counting = [n for n in text.names if n != time_name and _counts(looked.numbers(n))]
        columns = dict(table.columns) | _renamed({"line": counting[0]} if counting else {})
        return replace(table, kind="line_times", columns=columns)
    return _irradiance(looked, table, time_name)


def _renamed(names: Mapping[str, str]) -> dict[str, str]:
    return {ours: theirs for ours, theirs in names.items() if ours.lower() != theirs.lower()}


def _time_column(text: Text, latest_s: float) -> tuple[str, list[Form]]:
    """The column of times, and what forms they may have."""
    for name in sorted(text.names, key=lambda n: (not re.search("time|utc|date", n.lower()),)):
        forms = time_forms(text.column(name), latest_s)
        if forms:
            return name, forms
    return "", []


def _timed(text: Text, name: str, forms: Sequence[Form]) -> Table:
    cells = text.column(name)
    found = times_of(cells, forms)
    steps = np.diff(seconds_in(cells, forms[0]))
    return Table(
        text.path,
        "irradiance",
        _renamed({"time_utc": name}),
        found,
        float(np.median(steps)) if steps.size else math.nan,
    )


def _named(text: Text, name: str, but: str) -> str:
    """The column named like one of ours, the shortest name of them; empty where none is."""
    for stem in _STEMS[name]:
        found = [n for n in text.names if stem in n.lower() and n != but]
        numeric = [n for n in found if text.numbers(n).size]
        if numeric:
            return min(numeric, key=len)
    return ""


def _counts(values: Array) -> bool:
    return values.size > 1 and bool((np.diff(values[: values.size // 2 or 1]) == 1).all())


def _track(text: Text, table: Table, position: Mapping[str, str]) -> Table:
    names = dict(position)
    for name in ("height_m", "roll_deg", "pitch_deg", "heading_deg"):
        found = _named(text, name, "")
        if found and found not in names.values():
            names[name] = found
    undecided = list(table.undecided)
    latitude, longitude = (text.numbers(names[n]) for n in ("latitude", "longitude"))
    if np.abs(latitude).max() > 90 >= np.abs(longitude).max():
        names["latitude"], names["longitude"] = names["longitude"], names["latitude"]
    said = " ".join(names.values()).lower()
    within = all(
        np.abs(text.numbers(names[n])).max() <= most
        for n, most in (
            ("latitude", math.pi / 2), ("longitude", math.pi), ("roll_deg", math.pi),
            ("pitch_deg", math.pi / 2), ("heading_deg", 2 * math.pi),
        )
        if n in names
    )  # fmt: skip
    if "height_m" not in names:
        undecided.append(
            f"tables.track.columns.height_m: no column of {text.path.name} is named so"
        )
    height = names.get("height_m", "").lower()
    return replace(
        table,
        kind="track",
        columns=dict(table.columns) | _renamed(names),
        angle="rad" if within and "deg" not in said else "deg",
        above_sea=bool(_ABOVE_SEA.search(height))
        or ("alt" in height and not _ABOVE_GROUND.search(height)),
        undecided=tuple(undecided),
    )


def _irradiance(text: Text, table: Table, time_name: str) -> Table | None:
    """A log of light: one column that is positive throughout, or one a wavelength."""
    others = [n for n in text.names if n != time_name]
    nm = [float(n) for n in others if _number(n) and "," not in n]
    if len(nm) == len(others) >= 2 and _NM[0] * 0.6 <= min(nm) and max(nm) <= _NM[1]:
        return table
    positive = [n for n in others if (v := text.numbers(n)).size and (v > 0).all()]
    named = _named(text, "irradiance", time_name)
    name = named if named in positive else positive[0] if len(positive) == 1 else ""
    if not name:
        return None
    return replace(table, columns=dict(table.columns) | _renamed({"irradiance": name}))


def _certificate(text: Text) -> Table | None:
    """Wavelengths that increase, fractions or percents, and their uncertainty."""
    values = {n: v for n in text.names if (v := text.numbers(n)).size > 1}
    nm = next(
        (n for n, v in values.items()
         if _NM[0] <= v.min() and v.max() <= _NM[1] and (np.diff(v) > 0).all()), "",
    )  # fmt: skip
    rest = {n: v for n, v in values.items() if n != nm and (v >= 0).all() and v.max() <= _PERCENT}
    if not nm or not rest:
        return None
    reflectance = next(
        (n for stem in _STEMS["reflectance"] for n in rest if stem in n.lower()
         and not any(s in n.lower() for s in _STEMS["expanded_uncertainty"])), "",
    ) or next(iter(rest))  # fmt: skip
    level = rest.pop(reflectance)
    uncertain = next(
        (n for stem in _STEMS["expanded_uncertainty"] for n in rest if stem in n.lower()), ""
    ) or next((n for n, v in rest.items() if (v <= level).all()), "")
    undecided = () if uncertain else (
        f"{text.path.name} has no column of uncertainty; a certificate states one",
    )  # fmt: skip
    scale = 0.01 if np.median(level) > _FRACTION else 1.0
    names = {"wavelength_nm": nm, "reflectance": reflectance}
    names |= {"expanded_uncertainty": uncertain} if uncertain else {}
    return Table(
        text.path,
        "certificate",
        _renamed(names),
        scale=scale,
        k=1.0 if _K_ONE.search(uncertain.lower()) and "k=2" not in uncertain.lower() else 2.0,
        level=float(np.median(level)) * scale,
        undecided=undecided,
    )
