"""Times as text and as numbers."""

from __future__ import annotations

import datetime as dt
import re
from bisect import bisect_right
from collections.abc import Callable
from typing import Literal

Form = Literal["iso", "unix s", "unix ms", "unix us", "gps s"]

_ISO = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]{1,18})?)?"
    r"(?:[Zz]|[+-][0-9]{2}(?::?[0-9]{2})?)?"
)
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)

#: 1980-01-06T00:00:00 UTC, where GPS time begins [s since 1970].
GPS_EPOCH_S = 315_964_800
#: UTC days that began with one more second between GPS time and UTC, from IERS Bulletin C 13 to
#: 52; the last one made it 18 s. None has been announced since (Bulletin C 70, 2025).
LEAP_DAYS = (
    *("1981-07-01", "1982-07-01", "1983-07-01", "1985-07-01", "1988-01-01", "1990-01-01"),
    *("1991-01-01", "1992-07-01", "1993-07-01", "1994-07-01", "1996-01-01", "1997-07-01"),
    *("1999-01-01", "2006-01-01", "2009-01-01", "2012-07-01", "2015-07-01", "2017-01-01"),
)
# GPS time of the moment from which on each leap second counts.
_LEAPS_GPS_S = tuple(
    (dt.datetime.fromisoformat(day).replace(tzinfo=dt.UTC) - _EPOCH).total_seconds()
    - GPS_EPOCH_S
    + number
    for number, day in enumerate(LEAP_DAYS, start=1)
)

#: Flights lie between these years; a number that is no such time is one of another form.
_YEARS = (1990, 2100)
_SPAN_S = tuple((dt.datetime(y, 1, 1, tzinfo=dt.UTC) - _EPOCH).total_seconds() for y in _YEARS)


def utc_seconds(text: str, zone_s: float = 0.0) -> float:
    """Seconds since 1970-01-01T00:00:00 UTC of an ISO 8601 date and time.

    `Z` or an offset are honoured; a time without either is that of a zone `zone_s` [s] ahead of
    UTC. Fractions are kept to the microsecond. Anything else, a date alone and a leap second
    included, is a ValueError.
    """
    if not _ISO.fullmatch(text):
        raise ValueError("expected an ISO 8601 time such as 2026-06-01T10:00:00.25Z")
    moment = dt.datetime.fromisoformat(text.upper())
    if moment.tzinfo is None:
        return (moment.replace(tzinfo=dt.UTC) - _EPOCH).total_seconds() - zone_s
    return (moment - _EPOCH).total_seconds()


def gps_to_utc(gps_s: float) -> float:
    """Seconds since 1970 UTC of seconds of GPS time, which has no leap seconds, since 1980.

    Source: IS-GPS-200, 3.3.4 (GPS time), and `LEAP_DAYS`.
    """
    return GPS_EPOCH_S + gps_s - bisect_right(_LEAPS_GPS_S, gps_s)


#: Seconds since 1970 UTC of a number, by its form.
NUMBERS: dict[Form, Callable[[float], float]] = {
    "unix s": lambda value: value,
    "unix ms": lambda value: value / 1e3,
    "unix us": lambda value: value / 1e6,
    "gps s": gps_to_utc,
}


def seconds_of(value: float, form: Form) -> float:
    """Seconds since 1970 UTC; ValueError where a number is no time of a flight in this form."""
    seconds = NUMBERS[form](value)
    if not _SPAN_S[0] <= seconds < _SPAN_S[1]:
        raise ValueError(f"no time of {_YEARS[0]} to {_YEARS[1]} as {form!r}{_better(value)}")
    return seconds


def numeric_forms(value: float) -> list[Form]:
    """The forms in which a number would be a time of a flight."""
    return [f for f, to_s in NUMBERS.items() if _SPAN_S[0] <= to_s(value) < _SPAN_S[1]]


def _better(value: float) -> str:
    forms = numeric_forms(value)
    return f"; it would be one as {' or '.join(map(repr, forms))}" if forms else ""


def zone_seconds(zone: str | None) -> float:
    """Seconds that a zone is ahead of UTC, of "+02:00", "UTC" or None."""
    if zone in (None, "Z", "UTC"):
        return 0.0
    assert zone is not None
    hours, minutes = zone[1:].split(":")
    return (-1 if zone[0] == "-" else 1) * (int(hours) * 3600.0 + int(minutes) * 60.0)
