"""Checks of what the recorder wrote: frozen lines, clipped counts."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.radiometry.checks.row import Limits, listed, many, not_checked, percent, row
from pipeline.radiometry.limits import LIMITS, PILE_TIMES
from pipeline.radiometry.recorder import Pile
from pipeline.records import Check


def frozen(
    repeated: Mapping[str, int],
    noiseless: Mapping[str, float],
    *,
    thin: bool = False,
    limits: Limits = LIMITS,
) -> Check:
    """Lines that repeat the one before, by capture, and shares of elements without any noise.

    `noiseless` is by dark, of elements that are not clipped at zero; a dark of which most have no
    noise is frozen altogether. `thin` when a thin part of each strip was looked at.
    """
    if not repeated:
        return not_checked(limits, "frozen", "no capture was looked at")
    still = [name for name, share in noiseless.items() if share > 0.5]
    again = {name: count for name, count in repeated.items() if count}
    count = sum(again.values()) + len(still)
    says = "no line repeats the one before"
    if thin:
        says += ", as far as a thin part of each strip shows"
    name = ""
    if again:
        name = max(again, key=lambda one: again[one])
        says = f"{name} has {many(again[name], 'line')} that repeat the one before exactly"
        if len(again) > 1:
            says += f"; so do {listed([one for one in again if one != name])}"
    elif still:
        name = still[0]
        says = f"{name} has no noise: its frames are one and the same"
    return row(limits, "frozen", count, says, subject=name)


def pile_up(piles: Mapping[str, Pile | None], *, limits: Limits = LIMITS) -> Check:
    """Samples gathered at one count below saturation, the largest such pile shown, by capture."""
    known = {name: pile for name, pile in piles.items() if pile is not None}
    if not known:
        return not_checked(limits, "pile-up", "no counts of whole numbers were looked at")
    piled = {name: pile for name, pile in known.items() if pile.times > PILE_TIMES}
    if not piled:
        says = "no count below saturation holds more samples than its neighbours"
        return row(limits, "pile-up", 0.0, says)
    name = max(piled, key=lambda one: piled[one].share)
    pile = piled[name]
    says = (
        f"{percent(pile.share)} of the samples of {name} gather at {pile.at} counts, "
        f"{pile.times:.0f} times what a neighbouring count holds, and none lies above"
    )
    do = f"Set sensor.saturation_counts to {pile.at}: what was clipped there is brighter than it "
    do += "seems"
    return row(limits, "pile-up", pile.share, says, subject=name, do=do)
