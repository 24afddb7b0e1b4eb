"""Do neighbouring strips agree on the ground that both saw?"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.radiometry.checks.row import Limits, many, not_checked, percent, row
from pipeline.radiometry.limits import AGREEMENT_ERRORS, LIMITS
from pipeline.radiometry.squares import Overlap
from pipeline.records import Check

#: Why a row is not checked.
NO_PLACES = "no cube has positions: no track, or sensor.ifov_mrad is not known"
NO_OVERLAPS = "no two strips share enough ground"
NO_CUBES = "it takes calibrated cubes, of which check makes none: the lines it reads do not meet"


def worst_overlap(overlaps: Sequence[Overlap]) -> Overlap | None:
    """The overlap that differs most, of those beyond their errors if any is; None without one."""
    beyond = [one for one in overlaps if significant(one)]
    return max(beyond or overlaps, key=lambda one: abs(one.difference), default=None)


def significant(overlap: Overlap) -> bool:
    """Whether the strips differ by more than chance."""
    return abs(overlap.difference) > AGREEMENT_ERRORS * overlap.error


def strip_agreement(
    overlaps: Sequence[Overlap], *, missing: str = NO_OVERLAPS, limits: Limits = LIMITS
) -> Check:
    """Difference between the two strips that differ most; `missing` tells why there are none."""
    worst = worst_overlap(overlaps)
    if worst is None:
        return not_checked(limits, "strip-agreement", missing)
    pair = f"{worst.first} and {worst.second}"
    brighter = "brighter" if worst.difference > 0 else "darker"
    told = f"{worst.second} is {percent(abs(worst.difference))} {brighter} than {worst.first}"
    says = (
        f"on the same ground {told} (standard error {percent(worst.error)}), the most of "
        f"{many(len(overlaps), 'overlap')}"
    )
    value = abs(worst.difference)
    if significant(worst):
        says += "; it may be the light or the direction of view"
    else:
        says += ", which may be chance"
    return row(limits, "strip-agreement", value, says, subject=pair, counts=significant(worst))
