"""What a check's limits are, how a value is judged by them, and how the config moves them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal

from pipeline.errors import ConfigError

if TYPE_CHECKING:
    from pipeline.records import Verdict

Kind = Literal["above", "from", "below", "outside", "any"]
Limit = float | tuple[float, float]

EMVA: Final = "EMVA 1288 R4.0"
IEEE: Final = "IEEE 4001-2025"
GUM: Final = "GUM (JCGM 100:2008)"
NIST: Final = "NIST/SEMATECH e-Handbook of Statistical Methods"
COMMON: Final = "common practice, no source"
OWN: Final = "own arithmetic"


@dataclass(frozen=True)
class CheckLimits:
    """Limits of one check.

    `kind` says on which side of a limit trouble lies: "above" it, "from" it on (counts of
    things), "below" it, "outside" a pair (a single number is then its lower end), or "any" value
    whose magnitude exceeds it (a limit of 0: anything at all). None: no such limit, or one that
    follows from the data, as `about` says.
    """

    name: str
    unit: str
    kind: Kind
    caution: Limit | None
    fail: Limit | None
    source: str
    about: str
    do: str
    moved: bool = False


def _beyond(kind: Kind, value: float, limit: Limit | None) -> bool:
    if limit is None:
        return False
    if isinstance(limit, tuple):
        return not limit[0] <= value <= limit[1]
    match kind:
        case "above":
            return value > limit
        case "from":
            return value >= limit
        case "any":
            return abs(value) > limit
        case "below" | "outside":
            return value < limit


def verdict(limits: CheckLimits, value: float | None) -> Verdict:
    """Verdict on a value; None, NaN and infinity are `not checked`, never a pass."""
    if value is None or not math.isfinite(value):
        return "not checked"
    if _beyond(limits.kind, value, limits.fail):
        return "fail"
    return "caution" if _beyond(limits.kind, value, limits.caution) else "pass"


def with_overrides(
    limits: Mapping[str, CheckLimits],
    overrides: Mapping[str, tuple[Limit | None, Limit | None]],
) -> Mapping[str, CheckLimits]:
    """A new table with some limits moved; each moved row has `moved` set.

    Parameters
    ----------
    limits : the table to start from, left as it is
    overrides : by name (caution, fail); None leaves that limit where it is

    Raises
    ------
    ConfigError
        Unknown name, a pair where one number belongs or the reverse, not finite, or a fail on the
        near side of its caution.
    """
    made = dict(limits)
    for name, (caution, fail) in overrides.items():
        where = f"limits.{name}"
        if name not in made:
            raise ConfigError("no check has this name", where=where)
        if caution is None and fail is None:
            continue
        old = made[name]
        new = replace(
            old,
            caution=old.caution if caution is None else _fitting(old, caution, where, "caution"),
            fail=old.fail if fail is None else _fitting(old, fail, where, "fail"),
            moved=True,
        )
        _ordered(new, where)
        made[name] = new
    return MappingProxyType(made)


def _fitting(old: CheckLimits, limit: Limit, where: str, part: str) -> Limit:
    pair = isinstance(limit, tuple)
    if pair and old.kind != "outside":
        raise ConfigError(f"expected one number, got {limit}", where=f"{where}.{part}")
    if not pair and old.kind == "outside" and part == "caution":
        raise ConfigError(f"expected two numbers [low, high], got {limit}", where=f"{where}.{part}")
    numbers = limit if isinstance(limit, tuple) else (limit,)
    if not all(math.isfinite(number) for number in numbers):
        raise ConfigError(f"expected finite numbers, got {limit}", where=f"{where}.{part}")
    if isinstance(limit, tuple) and limit[0] >= limit[1]:
        raise ConfigError(f"expected low < high, got {limit}", where=f"{where}.{part}")
    return limit


def _ordered(row: CheckLimits, where: str) -> None:
    low, high = _ends(row.kind, row.caution)
    fail_low, fail_high = _ends(row.kind, row.fail)
    if fail_low > low or fail_high < high:
        raise ConfigError(
            f"fail {row.fail} would come before caution {row.caution}",
            where=where,
            do="Move both",
        )


def _ends(kind: Kind, limit: Limit | None) -> tuple[float, float]:
    """Interval that passes."""
    if limit is None:
        return -math.inf, math.inf
    if isinstance(limit, tuple):
        return limit
    return (limit, math.inf) if kind in ("below", "outside") else (-math.inf, limit)


def entry(
    name: str,
    unit: str,
    kind: Kind,
    limits: tuple[Limit | None, Limit | None],
    *,
    source: str,
    about: str,
    do: str,
) -> CheckLimits:
    """One check of a section: (caution, fail) and what a report says of it."""
    return CheckLimits(name, unit, kind, limits[0], limits[1], source, about, do)
