"""What `verify` says of one thing that it looked at."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at."""

    file: str  # below the run's folder; an input's by its name in the record
    what: str
    ok: bool
