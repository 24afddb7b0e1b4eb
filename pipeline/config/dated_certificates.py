"""A panel's certificates with the days from which they hold."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from pipeline.config.complaint import shown

_FORM = '[{ file = "a.csv", from = 2026-03-02 }, { file = "b.csv", from = 2026-09-01 }]'


@dataclass(frozen=True)
class DatedCertificate:
    """A certificate and the first day on which it holds."""

    file: Path
    since: dt.date


def dated_certificates(value: Sequence[object]) -> tuple[DatedCertificate, ...]:
    """The entries of a list of certificates; ValueError saying which one is wrong, and how.

    The days must rise from entry to entry, so that each flight has one certificate at most.
    """
    if not value:
        raise ValueError(f"certificate: expected a file in quotes, or {_FORM}; got an empty list")
    made = [_dated(entry, f"certificate[{i}]") for i, entry in enumerate(value)]
    for i, (one, after) in enumerate(pairwise(made), 1):
        if after.since <= one.since:
            raise ValueError(
                f"certificate[{i}].from: expected a day after {one.since}; got {after.since}"
            )
    return tuple(made)


def _dated(entry: object, key: str) -> DatedCertificate:
    if not isinstance(entry, Mapping):
        raise ValueError(f"{key}: expected a table as in {_FORM}; got {shown(entry)}")
    unknown = [str(name) for name in entry if name not in ("file", "from")]
    if unknown:
        raise ValueError(f"{key}.{unknown[0]}: unknown key; there are file and from")
    file, since = entry.get("file"), entry.get("from")
    if not isinstance(file, str) or not file:
        raise ValueError(f"{key}.file: expected a path in quotes; got {shown(file)}")
    if not isinstance(since, dt.date) or isinstance(since, dt.datetime):
        raise ValueError(f"{key}.from: expected a date such as 2026-03-02; got {shown(since)}")
    return DatedCertificate(Path(file), since)
