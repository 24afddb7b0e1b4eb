"""The run's verdict: its worst row."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Literal

from pipeline.radiometry.limits import LIMITS
from pipeline.records import Check

RunVerdict = Literal["good", "caution", "unusable"]

#: Rows that explain others: what a torn copy, unwritten lines, a wrong unit or a dark with light in
#: it do to a flight shows in half of the other rows too, which then give the wrong advice.
EXPLAINING = (
    "files-whole", "manifest", "no-data", "frozen", "clock", "units", "illumination-known",
    "dark-settings", "light-leak",
)  # fmt: skip

_ORDER = {"fail": 0, "caution": 2, "not checked": 3, "pass": 4}


def _rank(check: Check) -> int:
    return _ORDER[check.verdict] + (1 if check.verdict == "fail" and check.costs_part else 0)


def run_verdict(checks: Iterable[Check]) -> RunVerdict:
    """Verdict of a run.

    A fail makes it unusable, unless it only costs bands or cubes that are flagged and named: then
    it is caution, as it is when nothing passed. A check that was not possible changes nothing.
    """
    ranks = {_rank(check) for check in checks}
    if 0 in ranks:
        return "unusable"
    return "good" if ranks <= {3, 4} and 4 in ranks else "caution"


def worst_first(checks: Iterable[Check]) -> list[Check]:
    """Fails, fails that cost a part, cautions, not checked, passes.

    Among fails and among cautions a row that explains others comes first, then the one farthest
    beyond its limit; otherwise as they came.
    """
    return sorted(checks, key=_gravity)


def _gravity(check: Check) -> tuple[int, int, float]:
    if check.verdict not in ("fail", "caution"):
        return _rank(check), 0, 0.0
    place = {name: i for i, name in enumerate(EXPLAINING)}
    return _rank(check), place.get(check.check, len(place)), -times_beyond(check)


def times_beyond(check: Check) -> float:
    """How many times beyond the limit of its verdict a row's value lies, 1 or more.

    Of a pair of limits the distance from their middle counts, over half their distance. 1 where
    there is no value or no limit, where the limit is 0, which knows no times, and where it
    is a number of things: ten bands are not ten times as grave as one.
    """
    limit = check.fail if check.verdict == "fail" else check.caution
    if limit is None or check.value is None or LIMITS[check.check].kind == "from":
        return 1.0
    if isinstance(limit, tuple):
        low, high = limit
        times = abs(check.value - (low + high) / 2) / ((high - low) / 2) if high > low else 1.0
    elif LIMITS[check.check].kind in ("below", "outside"):
        times = limit / check.value if check.value > 0 else math.inf
    else:
        times = abs(check.value) / limit if limit > 0 else 1.0
    return max(times, 1.0)
