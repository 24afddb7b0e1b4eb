"""What the times of headers and tables mean: their form, and the zone of those that name none."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from pipeline.draft.tables import Times
from pipeline.read.times import Form

#: Zones that times may be in [s ahead of UTC], the nearest first.
_ZONES_S = sorted((900 * quarter for quarter in range(-48, 57)), key=abs)
#: Share of the shorter of two spans that they have in common when they are of one flight.
_IN_COMMON = 0.5

Span = tuple[float, float]


@dataclass(frozen=True)
class Clock:
    """How times are to be read."""

    form: Form
    zone: str = ""  # "+02:00"; empty for UTC, or where the times name it
    why: str = ""
    undecided: str = ""


def settle_clocks(times: Mapping[str, Times]) -> dict[str, Clock]:
    """Form and zone of each source of times, by those that leave no choice.

    Parameters
    ----------
    times : by source, named as in a message
    """
    sure = {
        name: span
        for name, one in times.items()
        if one.zoned and len(one.spans_s) == 1
        for span in one.spans_s.values()
    }
    return {name: _settled(name, one, sure) for name, one in times.items()}


def _settled(name: str, one: Times, sure: Mapping[str, Span]) -> Clock:
    forms = list(one.spans_s)
    others = {other: span for other, span in sure.items() if other != name}
    if one.zoned:
        agreeing = [f for f in forms if _agrees(one.spans_s[f], others.values())]
        if len(forms) == 1:
            return Clock(forms[0])
        if len(agreeing) == 1:
            return Clock(agreeing[0], why=f"as {next(iter(others))} has the flight")
        return Clock(
            forms[0], undecided=f"the times of {name} may be {' or '.join(map(repr, forms))}"
        )
    span = one.spans_s["iso"]
    if not others:
        return Clock("iso", why="no zone is named, and nothing else tells it: taken as UTC")
    zones = [z for z in _ZONES_S if _agrees((span[0] - z, span[1] - z), others.values())]
    if not zones:
        return Clock(
            "iso", undecided=f"the times of {name} are of no zone that {next(iter(others))} is in"
        )
    if zones[0] == 0:
        return Clock("iso", why=f"in UTC, as {next(iter(others))} has the flight")
    whole = [z for z in zones if z % 3600 == 0]
    if len(whole) > 1 or not whole:
        return Clock("iso", undecided=f"the zone of the times of {name}")
    return Clock("iso", _zone(whole[0]), f"so that it agrees with {next(iter(others))}")


def _agrees(span: Span, others: Iterable[Span]) -> bool:
    for low, high in others:
        shared = min(span[1], high) - max(span[0], low)
        if shared >= _IN_COMMON * min(span[1] - span[0], high - low):
            return True
    return False


def _zone(ahead_s: float) -> str:
    minutes = abs(int(ahead_s)) // 60
    return f"{'-' if ahead_s < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"
