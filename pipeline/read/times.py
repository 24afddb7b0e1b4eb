"""Times as text."""

from __future__ import annotations

import datetime as dt
import re

_ISO = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]{1,18})?)?"
    r"(?:[Zz]|[+-][0-9]{2}(?::?[0-9]{2})?)?"
)
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


def utc_seconds(text: str) -> float:
    """Seconds since 1970-01-01T00:00:00 UTC of an ISO 8601 date and time.

    `Z` or an offset are honoured; without either the time is taken as UTC. Fractions are kept to
    the microsecond. Anything else, a date alone and a leap second included, is a ValueError.
    """
    if not _ISO.fullmatch(text):
        raise ValueError("expected an ISO 8601 time such as 2026-06-01T10:00:00.25Z")
    moment = dt.datetime.fromisoformat(text.upper())
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=dt.UTC)
    return (moment - _EPOCH).total_seconds()
