"""The check of lines that were never written."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from pipeline.radiometry.checks.row import Limits, listed, many, row
from pipeline.radiometry.limits import LIMITS
from pipeline.records import Check


def no_data(
    spans: Mapping[str, Sequence[tuple[int, int]]],
    *,
    panels: Collection[str] = (),
    limits: Limits = LIMITS,
) -> Check:
    """Lines that were never written, of all strips.

    Parameters
    ----------
    spans : by strip, half-open, of its lines that were never written
    panels : strips with panels in them: without those nothing may be calibrated rightly
    """
    lost = {name: sum(stop - start for start, stop in found) for name, found in spans.items()}
    lost = {name: count for name, count in lost.items() if count}
    if not lost:
        return row(limits, "no-data", 0.0, "every line looked at was written")
    name = max(lost, key=lambda one: lost[one])
    where = ", ".join(f"{start} to {stop - 1}" for start, stop in spans[name])
    says = f"{many(lost[name], 'line')} of {name} hold no data ({where})"
    others = [other for other in lost if other != name]
    says += f"; such lines are also in {listed(others)}" if others else ""
    return row(
        limits,
        "no-data",
        float(sum(lost.values())),
        says,
        subject=name,
        costs_part=not lost.keys() & set(panels),
    )
