"""The run's verdict: its worst row."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from pipeline.records import Check

RunVerdict = Literal["good", "caution", "unusable"]

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
    """Fails, fails that cost a part, cautions, not checked, passes; otherwise as they came."""
    return sorted(checks, key=_rank)
