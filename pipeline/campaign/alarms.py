"""What a chart's alarm is called: the quantity, which way it went, how far, and since when."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.radiometry.control_charts import BASELINE, ControlChart, Rule
from pipeline.records import Array


@dataclass(frozen=True)
class Alarm:
    """A chart outside its limits, from one flight to another."""

    first: int  # index of the flight that broke a rule first
    stop: int  # half-open: after the last flight that did
    flight: str  # name of the first
    rule: Rule
    says: str  # a sentence


def alarms_of(
    name: str, unit: str, flights: Sequence[str], judged: Array, chart: ControlChart
) -> tuple[Alarm, ...]:
    """The alarms of a chart in order of time.

    `unit` is empty for a share, which is told in percent. `flights` names the chart's flights.
    """
    told = []
    for first, stop in chart.outside:
        rule = chart.broken[first]
        says = sentence(name, unit, flights[first], first, judged, chart)
        broken = sum(bool(rule) for rule in chart.broken[first:stop])
        if broken > 1:
            says += f"; {broken} flights to {flights[stop - 1]}"
        told.append(Alarm(first, stop, flights[first], rule, f"{says[:1].upper()}{says[1:]}."))
    return tuple(told)


def sentence(name: str, unit: str, flight: str, at: int, judged: Array, chart: ControlChart) -> str:
    """What is wrong with a quantity in a flight that broke a rule, without its full stop.

    `unit` is empty for a share; `at` is the flight's index, `flight` its name.
    """
    rule = chart.broken[at]
    away = (chart.average if rule == "ewma" else judged)[at] - chart.centre
    width = (chart.average_half_width if rule == "ewma" else chart.half_width)[at]
    way = "above" if away > 0 else "below"
    size, limit = _told(_short(abs(away)), unit), _told(_short(width), unit)
    # Among the first flights a gross one has no limits yet.
    of_limit = f", where {limit} is the limit" if math.isfinite(width) else ""
    if rule == "ewma":
        return (
            f"{name} drifts: the weighted mean up to {flight} lies {size} {way} that of the first "
            f"{BASELINE} flights, {_told(chart.centre, unit)}{of_limit}"
        )
    return (
        f"{name} in {flight} is {_told(float(judged[at]), unit)}, {size} {way} the mean of the "
        f"first {BASELINE} flights{of_limit}"
    )


def _short(value: float) -> float:
    return float(f"{value:.2g}")


def _told(value: float, unit: str) -> str:
    if not unit:
        return f"{100 * value:.2g} %".replace("-", "\u2212")
    told = f"{value:.4g}".replace("-", "\u2212")
    return told if unit == "1" else f"{told} {unit}{'s' * (unit in ('count', 'element'))}"
