"""Is a flight like the camera's flights before it? Rows of runs that a sweep makes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.radiometry.checks.row import Limits, many, not_checked, row
from pipeline.radiometry.control_charts import BASELINE
from pipeline.radiometry.limits import LIMITS
from pipeline.records import Check


@dataclass(frozen=True)
class Comparison:
    """What the control charts say of one flight."""

    flights: int  # of the same camera, before it
    judged: int  # quantities that had limits
    outside: Mapping[str, str]  # quantity beyond its limits, with a sentence of how


def camera_record(found: Comparison, *, limits: Limits = LIMITS) -> Check:
    """The camera's quantities against its own record."""
    return _row("camera-record", "quantity", "quantities", found, limits)


def panel_record(found: Comparison, *, limits: Limits = LIMITS) -> Check:
    """Each panel against what the others predict, by its past flights."""
    return _row("panel-record", "panel", "panels", found, limits)


def _row(name: str, thing: str, things: str, found: Comparison, limits: Limits) -> Check:
    before = many(found.flights, "flight")
    if not found.judged:
        return not_checked(
            limits,
            name,
            f"{before} of this camera before this one; control charts want {BASELINE} that show "
            f"the same {things}",
        )
    if not found.outside:
        says = f"{many(found.judged, thing, things)} as in the flights before, {found.flights}"
        return row(limits, name, 0, says)
    told = "; ".join(sentence.rstrip(".") for sentence in found.outside.values())
    return row(limits, name, len(found.outside), told, subject=", ".join(found.outside))
