"""Global attributes of the cube files (CF-1.11, ACDD-1.3), and times as they are written there."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from pipeline.errors import ConfigError

CONVENTIONS = "CF-1.11, ACDD-1.3"
#: The table in which the checker of these conventions finds the standard names.
STANDARD_NAMES = "CF Standard Name Table v93"

#: Global attributes that only the program may set.
RESERVED = frozenset(
    {"Conventions", "run_id", "history", "date_created", "config", "config_sha256", "inputs"}
    | {"flight", "cube", "blank_flags", "product_version", "standard_name_vocabulary"}
)


def require_free(names: Iterable[str], where: str) -> None:
    """ConfigError when a config gives a global attribute that only the program may set."""
    for name in names:
        if name in RESERVED:
            raise ConfigError("only the program may set this attribute", where=f"{where}.{name}")


def iso_time(seconds: float) -> str:
    """Seconds since 1970 as ISO 8601 in UTC, to the millisecond."""
    moment = dt.datetime.fromtimestamp(seconds, dt.UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def now_utc() -> str:
    """The present time as ISO 8601 in UTC, to the second."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
