"""Tables beside the cubes: certificates, line times, irradiance, track, manifest."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.files import read_bytes
from pipeline.flags import GAP_FRAME_PERIODS, LineFlag
from pipeline.read.csv_table import Kind, read_rows, read_table, require_increasing
from pipeline.records import Array, LineTimes, Mask, Settings

__all__ = [
    "Certificate",
    "IrradianceLog",
    "Track",
    "line_times_from_start",
    "read_certificate",
    "read_irradiance",
    "read_line_times",
    "read_manifest",
    "read_table",
    "read_track",
    "require_cover",
    "require_no_gap",
]

#: Certified reflectance above this is no diffuse panel's; sintered PTFE reaches 0.99.
REFLECTANCE_MOST = 1.2
#: A certificate's step is a gap when longer than this many median steps ...
GAP_STEPS = 5.0
#: ... and than this many band widths: below, interpolation is smoothed away by the band itself.
GAP_WIDTHS = 2.0

_MANIFEST_BYTES = 50_000_000


@dataclass(frozen=True, eq=False)
class Certificate:
    """A panel's certified reflectance over wavelength."""

    wavelength_nm: Array  # (row,) strictly increasing
    reflectance: Array  # (row,) [1]
    expanded_uncertainty: Array  # (row,) [1]


@dataclass(frozen=True, eq=False)
class IrradianceLog:
    """Irradiance over time, in any linear unit."""

    time_s: Array  # (row,) strictly increasing
    irradiance: Array  # (row,) positive


@dataclass(frozen=True, eq=False)
class Track:
    """Position and attitude over time; attitude is NaN where the table has no such column."""

    time_s: Array  # (row,) strictly increasing, like the others (row,)
    latitude: Array  # [degree north]
    longitude: Array  # [degree east]
    height_m: Array
    roll_deg: Array
    pitch_deg: Array
    heading_deg: Array


def read_certificate(path: Path) -> Certificate:
    """Read a panel's certificate: `wavelength_nm,reflectance,expanded_uncertainty`.

    Reflectance and its uncertainty are fractions, and the uncertainty is absolute. Raises
    InputError naming the line: fewer than two rows, wavelengths that do not increase or look
    like micrometres, reflectance outside (0, 1.2] or in percent, uncertainty negative or above
    the reflectance itself.
    """
    names = ("wavelength_nm", "reflectance", "expanded_uncertainty")
    table, line_of = read_rows(path, dict.fromkeys(names, "number"))
    wavelength, reflectance, uncertainty = (table[name] for name in names)

    def refuse(bad: Mask, values: Array, column: str, expected: str) -> None:
        if bad.any():
            row = int(np.argmax(bad))
            raise InputError(
                f"{values[row]:g}; expected {expected}",
                where=path,
                line=int(line_of[row]),
                column=column,
            )

    if wavelength.size < 2:
        raise InputError("one row only; expected two or more", where=path, line=int(line_of[0]))
    refuse(wavelength <= 0, wavelength, names[0], "a wavelength above 0 nm")
    if (wavelength < 20).all():
        raise InputError(
            f"{wavelength[0]:g} looks like micrometres; expected nanometres",
            where=path,
            line=int(line_of[0]),
            column=names[0],
        )
    require_increasing(wavelength, line_of, path, names[0])
    refuse(reflectance <= 0, reflectance, names[1], "a fraction above 0")
    refuse(
        reflectance > REFLECTANCE_MOST,
        reflectance,
        names[1],
        f"a fraction up to {REFLECTANCE_MOST}; it looks like percent",
    )
    refuse(uncertainty < 0, uncertainty, names[2], "0 or more")
    refuse(
        uncertainty > reflectance,
        uncertainty,
        names[2],
        "an absolute uncertainty not above the reflectance; it looks like percent",
    )
    return Certificate(wavelength, reflectance, uncertainty)


def require_no_gap(
    certificate: Certificate, wavelength_nm: Array, fwhm_nm: Array, path: Path
) -> None:
    """InputError if band centres lie in a hole of the certificate.

    A hole is a step of more than five times the table's median step that is also longer than
    twice the width of a band whose centre lies strictly inside it. Interpolating across would
    invent reflectance there.

    Parameters
    ----------
    wavelength_nm, fwhm_nm : (band,) [nm]
    path : the certificate's file, for the message
    """
    rows = certificate.wavelength_nm
    steps = np.diff(rows)
    for left in np.flatnonzero(steps > GAP_STEPS * np.median(steps)):
        inside = (wavelength_nm > rows[left]) & (wavelength_nm < rows[left + 1])
        count = int((inside & (steps[left] > GAP_WIDTHS * fwhm_nm)).sum())
        if count:
            raise InputError(
                f"no rows between {rows[left]:g} and {rows[left + 1]:g} nm, where "
                f"{count} {'band lies' if count == 1 else 'bands lie'}",
                where=path,
                do="Give the certificate's full table",
            )


def require_cover(certificate: Certificate, wavelength_nm: Array, path: Path) -> None:
    """InputError if no band centre at all lies in the certificate's range."""
    low, high = certificate.wavelength_nm[0], certificate.wavelength_nm[-1]
    if not ((wavelength_nm >= low) & (wavelength_nm <= high)).any():
        raise InputError(
            f"it covers {low:g} to {high:g} nm, and no band lies there; the bands span "
            f"{wavelength_nm.min():g} to {wavelength_nm.max():g} nm",
            where=path,
        )


def read_line_times(path: Path, lines: int, *, frame_period_s: float = math.nan) -> LineTimes:
    """Read a cube's line times: `line,time_utc`, one row a line, lines counted from 0.

    Times that do not increase are kept, for a check reports them. A line is flagged `after_gap`
    when it follows the one before by more than 1.5 frame periods; the frame period is
    `frame_period_s` [s] where finite, else the median step.

    Raises
    ------
    InputError
        Naming the line: the table is malformed, not numbered 0, 1, 2, ..., or its count of
        rows is not `lines`.
    """
    table, line_of = read_rows(path, {"line": "integer", "time_utc": "time"})
    number = table["line"]
    wrong = np.flatnonzero(number != np.arange(number.size))
    if wrong.size:
        row = int(wrong[0])
        raise InputError(
            f"line number {number[row]}; expected {row}",
            where=path,
            line=int(line_of[row]),
            column="line",
            do="Number the cube's lines from 0" if row == 0 and number[0] == 1 else "",
        )
    if number.size != lines:
        raise InputError(f"{number.size} rows for a cube of {lines} lines", where=path)
    return _line_times(table["time_utc"], frame_period_s, estimated=False)


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


def read_irradiance(path: Path) -> IrradianceLog:
    """Read an irradiance log: `time_utc,irradiance`.

    Times increase strictly and irradiance is positive; otherwise an InputError names the line.
    """
    table, line_of = read_rows(path, {"time_utc": "time", "irradiance": "number"})
    require_increasing(table["time_utc"], line_of, path, "time_utc")
    _require_range(table["irradiance"], line_of, path, "irradiance", above=0.0)
    return IrradianceLog(table["time_utc"], table["irradiance"])


def read_track(path: Path) -> Track:
    """Read a track: `time_utc,latitude,longitude,height_m` and, if there, `roll_deg,pitch_deg,
    heading_deg`.

    Times increase strictly. Latitude within 90, longitude and roll within 180, pitch within 90,
    heading within 360 degrees either side of zero; height within 20 km of zero. Otherwise an
    InputError names the line.
    """
    limits = {
        "latitude": 90.0,
        "longitude": 180.0,
        "height_m": 20_000.0,
        "roll_deg": 180.0,
        "pitch_deg": 90.0,
        "heading_deg": 360.0,
    }
    columns: dict[str, Kind] = {"time_utc": "time", **dict.fromkeys(limits, "number")}
    table, line_of = read_rows(path, columns, ("roll_deg", "pitch_deg", "heading_deg"))
    require_increasing(table["time_utc"], line_of, path, "time_utc")
    unknown = np.full(table["time_utc"].size, np.nan)
    for name, most in limits.items():
        _require_range(table.setdefault(name, unknown), line_of, path, name, most=most)
    return Track(table["time_utc"], **{name: table[name] for name in limits})


def _require_range(
    values: Array,
    line_of: NDArray[np.int64],
    path: Path,
    column: str,
    *,
    above: float = -math.inf,
    most: float = math.inf,
) -> None:
    bad = np.flatnonzero((values <= above) | (np.abs(values) > most))
    if bad.size:
        expected = f"between {-most:g} and {most:g}" if math.isfinite(most) else f"above {above:g}"
        raise InputError(
            f"{values[bad[0]]:g}; expected a number {expected}",
            where=path,
            line=int(line_of[bad[0]]),
            column=column,
        )


_PLAIN = re.compile(r"(\\?)([0-9a-fA-F]{64}) [ *](.+)")
_TAGGED = re.compile(r"(\\?)SHA256 \((.+)\) = ([0-9a-fA-F]{64})")


def read_manifest(path: Path) -> dict[str, str]:
    """Read a list of SHA-256 digests as `sha256sum` writes it, plain or with `--tag`.

    Returns
    -------
    relative path to digest in lower case, in the file's order

    Raises
    ------
    InputError
        Naming the line: not of that form, a path that is absolute or climbs out, one path with
        two digests; or the file is unreadable, empty, not UTF-8 or larger than 50 MB.
    """
    path = Path(path)
    try:
        text = read_bytes(path, _MANIFEST_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("not UTF-8 text", where=path) from None
    digests: dict[str, str] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        line = line.removesuffix("\r")
        if not line:
            continue
        if match := _PLAIN.fullmatch(line):
            escaped, digest, name = match.groups()
        elif match := _TAGGED.fullmatch(line):
            escaped, name, digest = match.groups()
        else:
            raise InputError(
                "expected 64 hexadecimal digits, a blank, a blank or *, and a path",
                where=path,
                line=number,
            )
        if escaped:
            name = re.sub(r"\\([nr\\])", lambda m: {"n": "\n", "r": "\r", "\\": "\\"}[m[1]], name)
        listed = PurePosixPath(name)
        if listed.is_absolute() or ".." in listed.parts or "\0" in name or not listed.parts:
            raise InputError(f"the path {name!r} leaves its folder", where=path, line=number)
        if digests.setdefault(str(listed), digest.lower()) != digest.lower():
            raise InputError(f"{name!r} has two digests", where=path, line=number)
    if not digests:
        raise InputError("the list is empty", where=path)
    return digests
