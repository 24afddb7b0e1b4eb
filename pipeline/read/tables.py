"""Tables beside the cubes: line times, irradiance, track."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.config.tables import AS_OURS, IrradianceTable, LineTimesTable, TrackTable
from pipeline.errors import InputError
from pipeline.flags import GAP_FRAME_PERIODS, LineFlag
from pipeline.read.cells import Kind
from pipeline.read.csv_table import Rows, read_rows
from pipeline.read.numbers import NUMBER
from pipeline.read.table_words import Words
from pipeline.records import Array, LineTimes, Settings

#: Names of columns that can be wavelengths [nm], from ultraviolet to the short-wave infrared.
_COLUMN_NM = (200.0, 4000.0)


@dataclass(frozen=True, eq=False)
class IrradianceLog:
    """Irradiance over time, in any linear unit; of all light, or by wavelength."""

    time_s: Array  # (row,) strictly increasing
    irradiance: Array  # (row,) or (row, wavelength), positive
    wavelength_nm: Array | None = None  # (wavelength,) strictly increasing; None for all light

    @property
    def level(self) -> Array:
        """(row,) irradiance of all light: where the log is by wavelength, the mean over them."""
        return self.irradiance if self.irradiance.ndim == 1 else self.irradiance.mean(axis=1)


@dataclass(frozen=True, eq=False)
class Track:
    """Position and attitude over time; attitude is NaN where the table has no such column."""

    time_s: Array  # (row,) strictly increasing, like the others (row,)
    latitude: Array  # [degree north]
    longitude: Array  # [degree east]
    height_m: Array  # above ground
    roll_deg: Array
    pitch_deg: Array
    heading_deg: Array


def read_line_times(
    path: Path,
    lines: int,
    *,
    frame_period_s: float = math.nan,
    written: LineTimesTable = AS_OURS.line_times,
) -> LineTimes:
    """Read a cube's line times: `time_utc` and, if there, `line`; one row a line, in order.

    Times that do not increase are kept, for a check reports them. A line is flagged `after_gap`
    when it follows the one before by more than 1.5 frame periods; the frame period is
    `frame_period_s` [s] where finite, else the median step.

    Raises
    ------
    InputError
        Naming the line: the table is malformed, not numbered one by one, or its count of rows is
        not `lines`.
    """
    words = Words.of("tables.line_times", written)
    rows = read_rows(path, {"line": "integer", "time_utc": "time"}, ("line",), words)
    if "line" in rows.columns:
        number = rows.columns["line"]
        wrong = np.flatnonzero(number != number[0] + np.arange(number.size))
        if wrong.size:
            row = int(wrong[0])
            raise InputError(
                f"line number {number[row]}; expected {number[0] + row}",
                where=path,
                line=int(rows.line_of[row]),
                column=words.theirs("line"),
            )
    time_s = rows.columns["time_utc"]
    if time_s.size != lines:
        raise InputError(f"{time_s.size} rows for a cube of {lines} lines", where=path)
    return _line_times(time_s, frame_period_s, estimated=False)


def line_times_from_start(settings: Settings, lines: int) -> LineTimes:
    """Times of evenly spaced lines from the header's start and frame period.

    All lines are flagged `time_estimated`. Times are NaN where the start is unknown or, for more
    than the first line, the frame period.
    """
    period_s = settings.frame_period_ms / 1000
    time_s = np.full(lines, np.nan)
    if math.isfinite(period_s):
        time_s = settings.start_s + np.arange(lines) * period_s
    time_s[:1] = settings.start_s
    return _line_times(time_s, period_s, estimated=True)


def _line_times(time_s: Array, frame_period_s: float, *, estimated: bool) -> LineTimes:
    steps = np.diff(time_s)
    period = frame_period_s
    if not math.isfinite(period):
        known = steps[np.isfinite(steps)]
        period = float(np.median(known)) if known.size else math.nan
    flags = np.zeros(time_s.size, dtype=np.uint8)
    if estimated:
        flags |= np.uint8(LineFlag.TIME_ESTIMATED)
    elif period > 0:
        flags[1:][steps > GAP_FRAME_PERIODS * period] |= np.uint8(LineFlag.AFTER_GAP)
    return LineTimes(time_s=time_s, flags=flags, frame_period_s=period)


def read_irradiance(path: Path, written: IrradianceTable = AS_OURS.irradiance) -> IrradianceLog:
    """Read an irradiance log: `time_utc,irradiance`, or `time_utc` and one column a wavelength.

    A column whose name is a number is irradiance at that wavelength [nm]; there are two or more,
    in any order. They are looked at where there is no column `irradiance`. Times increase
    strictly and irradiance is positive; otherwise an InputError names the line.
    """
    words = Words.of("tables.irradiance", written)
    kinds: dict[str, Kind] = {"time_utc": "time", "irradiance": "number"}
    rows = read_rows(path, kinds, ("irradiance",), words, more=_is_wavelength)
    rows.require_increasing("time_utc")
    time_s = rows.columns["time_utc"]
    if "irradiance" in rows.columns:
        irradiance = rows.columns["irradiance"]
        rows.refuse(irradiance <= 0, "irradiance", "a number above 0")
        return IrradianceLog(time_s, irradiance)
    if len(rows.more) < 2:
        raise InputError(
            "neither a column of irradiance nor columns whose names are wavelengths in nm",
            where=path,
            do=words.say('columns = { irradiance = "..." }'),
        )
    names = sorted(rows.more, key=float)
    wavelength = np.array([float(name) for name in names])
    if (np.diff(wavelength) == 0).any():
        twice = names[int(np.argmin(np.diff(wavelength)))]
        raise InputError("the wavelength is there twice", where=path, column=twice)
    irradiance = np.column_stack([rows.more[name] for name in names])
    bad = np.argwhere(irradiance <= 0)
    if bad.size:
        row, column = bad[0]
        raise InputError(
            f"{irradiance[row, column]:g}; expected a number above 0",
            where=path,
            line=int(rows.line_of[row]),
            column=names[column],
        )
    return IrradianceLog(time_s, irradiance, wavelength)


def _is_wavelength(name: str) -> bool:
    match = NUMBER.fullmatch(name)
    if match is None or match[2]:
        return False
    return _COLUMN_NM[0] <= float(name) <= _COLUMN_NM[1]


#: Largest magnitude of each column, once in degrees and metres.
_TRACK_MOST = {
    "latitude": 90.0,
    "longitude": 180.0,
    "height_m": 20_000.0,
    "roll_deg": 180.0,
    "pitch_deg": 90.0,
    "heading_deg": 360.0,
}
_ANGLES = tuple(name for name in _TRACK_MOST if name != "height_m")


def read_track(path: Path, written: TrackTable = AS_OURS.track) -> Track:
    """Read a track: `time_utc,latitude,longitude,height_m` and, if there, `roll_deg,pitch_deg,
    heading_deg`.

    Angles come out in degrees and heights above ground, whatever `written` says they are in the
    table. Times increase strictly. Latitude within 90, longitude and roll within 180, pitch
    within 90, heading within 360 degrees either side of zero; height within 20 km of zero.
    Otherwise an InputError names the line.
    """
    words = Words.of("tables.track", written)
    kinds: dict[str, Kind] = {"time_utc": "time", **dict.fromkeys(_TRACK_MOST, "number")}
    rows = read_rows(path, kinds, ("roll_deg", "pitch_deg", "heading_deg"), words)
    rows.require_increasing("time_utc")
    _require_not_swapped(rows, written)
    columns = {}
    for name, most in _TRACK_MOST.items():
        values = rows.columns.get(name)
        if values is None:
            columns[name] = np.full(rows.line_of.size, np.nan)
            continue
        if name in _ANGLES and written.angle == "rad":
            values, unit = np.degrees(values), "rad"
            most_stated = math.radians(most)
        else:
            unit, most_stated = "", most
        if name == "height_m" and written.ground_m is not None:
            values = values - written.ground_m
        do = words.say('angle = "deg"') if unit else ""
        rows.refuse(np.abs(values) > most * (1 + 1e-9), name, _between(most_stated, unit), do)
        columns[name] = values
    return Track(rows.columns["time_utc"], **columns)


def _between(most: float, unit: str) -> str:
    return f"a number between {-most:g} and {most:g}{unit and ' ' + unit}"


def _require_not_swapped(rows: Rows, written: TrackTable) -> None:
    """InputError where latitude and longitude can be right only the other way round."""
    latitude, longitude = rows.columns["latitude"], rows.columns["longitude"]
    quarter, half = (math.pi / 2, math.pi) if written.angle == "rad" else (90.0, 180.0)
    if (np.abs(latitude) > quarter).all() and (np.abs(longitude) <= quarter).all():
        if (np.abs(latitude) > half).any():
            return
        lat, lon = (rows.words.theirs(name) for name in ("latitude", "longitude"))
        raise InputError(
            f"every latitude is beyond {quarter:g}, and every longitude within it; the two are "
            "swapped",
            where=rows.path,
            line=int(rows.line_of[0]),
            column=lat,
            do=rows.words.say(f'columns = {{ latitude = "{lon}", longitude = "{lat}" }}'),
        )
