"""The run's verdict: its worst row."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Literal

from pipeline.records import Check

RunVerdict = Literal["good", "caution", "unusable"]

#: Rows that explain others: what a torn copy, unwritten lines or a dark with light in it do to a
#: flight shows in half of the other rows too, which then give the wrong advice.
EXPLAINING = (
    "files-whole", "manifest", "no-data", "clock", "illumination-known", "dark-settings",
    "light-leak",
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

    1 where there is no value, no limit, or a limit of 0, which knows no times.
    """
    limit = check.fail if check.verdict == "fail" else check.caution
    if limit is None or check.value is None:
        return 1.0
    low, high = limit if isinstance(limit, tuple) else (limit, limit)
    size = abs(check.value)
    if not (low > 0 and high > 0):
        return 1.0
    return max(size / high, low / size if size else math.inf, 1.0)
