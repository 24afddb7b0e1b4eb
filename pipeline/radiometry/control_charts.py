"""Control charts of single values: is a quantity still what its first flights showed?

The plain arithmetic is that of the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2
(individuals, moving ranges) and 6.3.2.4 (EWMA). `control_chart` goes beyond it where ten flights
and a dozen charts want it, as its notes say.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.records import Array

Rule = Literal["", "individuals", "ewma"]

#: Flights that a chart's centre comes from (e-Handbook 6.3.2.2 has ten in its example).
BASELINE: Final = 10
#: Weight of the newest value in the moving average (e-Handbook 6.3.2.4: 0.2 to 0.3 is usual).
WEIGHT: Final = 0.3
#: Mean range of two normal values over their standard deviation (e-Handbook 6.3.2.2).
RANGE_OF_TWO: Final = 1.128
#: Degrees of freedom of the standard deviation from a mean moving range, for each range (own
#: arithmetic: neighbouring ranges share a value; the variance of their mean in normal data).
FREEDOM_A_RANGE: Final = 0.62
#: Chances of an alarm by each rule at a flight of a steady camera (own arithmetic: a dozen charts
#: over a season of forty flights then alarm once in three seasons or so).
CHANCE: Final = {"individuals": 3e-4, "ewma": 1e-3}
#: Flights in a row that break no rule and so end an alarm (own arithmetic: values about a limit
#: cross it back and forth, and it is one alarm).
QUIET: Final = 3


class Limits(NamedTuple):
    """Centre and control limits, in the unit of the values."""

    centre: float
    lower: float
    upper: float


def moving_ranges(values: ArrayLike) -> Array:
    """Magnitudes of the differences between neighbouring values, (value - 1,)."""
    return np.abs(np.diff(np.asarray(values, np.float64)))


def individuals_limits(values: ArrayLike) -> Limits:
    """Centre and limits of an individuals chart, as the handbook has them.

    `values` is (value,), two or more, all finite. Mean -/+ 3 x mean moving range / 1.128
    (e-Handbook 6.3.2.2).
    """
    each = np.asarray(values, np.float64)
    half = 3 * float(moving_ranges(each).mean()) / RANGE_OF_TWO
    centre = float(each.mean())
    return Limits(centre, centre - half, centre + half)


def ewma(values: ArrayLike, *, start: float, weight: float = WEIGHT) -> Array:
    """Exponentially weighted moving average after each value, (value,).

    average = weight x value + (1 - weight) x the average before it, which is `start` at first
    (e-Handbook 6.3.2.4). A value that is not finite leaves the average as it was.
    """
    out, average = [], start
    for value in np.asarray(values, np.float64):
        if math.isfinite(value):
            average = weight * float(value) + (1 - weight) * average
        out.append(average)
    return np.array(out)


def ewma_limits(centre: float, standard_deviation: float, weight: float = WEIGHT) -> Limits:
    """Centre and limits of the moving average, once it has run for a while.

    centre -/+ 3 x standard deviation x sqrt(weight / (2 - weight)) (e-Handbook 6.3.2.4).
    """
    half = 3 * standard_deviation * math.sqrt(weight / (2 - weight))
    return Limits(centre, centre - half, centre + half)


@dataclass(frozen=True, eq=False)
class ControlChart:
    """A quantity over flights, judged. Arrays are (flight,), in the quantity's unit.

    Half widths are those of the limits around `centre` as they stood before the flight: NaN where
    there were none yet.
    """

    centre: float  # NaN with too few flights
    limit: float  # half width for a single value at the next flight; NaN with too few flights
    half_width: Array  # for the flight's value
    average: Array  # the moving average after the flight
    average_half_width: Array  # for the moving average
    broken: tuple[Rule, ...]  # by the rule that the flight broke; "" where it broke none

    @property
    def outside(self) -> tuple[tuple[int, int], ...]:
        """Alarms, half-open: from a flight that broke a rule to the last such before a quiet.

        A quiet is `QUIET` flights in a row that break none; flights that say nothing count for
        neither.
        """
        found: list[tuple[int, int]] = []
        quiet = QUIET
        for i, rule in enumerate(self.broken):
            if rule:
                start = i if quiet >= QUIET else found.pop()[0]
                found.append((start, i + 1))
                quiet = 0
            elif math.isfinite(self.average[i]):
                quiet += 1
        return tuple(found)


def control_chart(
    values: ArrayLike,
    uncertainties: ArrayLike | None = None,
    *,
    least: float = 0.0,
    baseline: int = BASELINE,
) -> ControlChart:
    """Judge each flight by the flights before it.

    Parameters
    ----------
    values : (flight,) in order of time; NaN where a flight does not tell: it is passed over
    uncertainties : (flight,) standard, of what differs from flight to flight alone: what is the
        same in all flights is in the centre. NaN and None are 0
    least : standard deviation below which the flights' scatter is not believed
    baseline : flights that the centre is the mean of

    Notes
    -----
    Three things differ from the handbook's charts, whose limits suppose that centre and standard
    deviation are known:

    1. Limits are prediction limits. Ten flights give the standard deviation to about 30 %, and
       their mean is known no better than to a third of it; limits of 3 standard deviations would
       then alarm at 3 % of the flights of a steady camera, one of a dozen charts at every third.
       So the factor is Student's for the degrees of freedom of the moving ranges, at `CHANCE`, and
       the centre's own variance is added. The centre stays that of the first flights, but the
       moving ranges of later flights that broke no rule, and are known as well, join, so that
       limits close in. Moving ranges do not grow with a slow drift.
    2. A flight whose own uncertainty exceeds that of the first flights is judged by wider limits:
       what is not known of it is no change of the camera. In the average such excesses are taken
       as fully correlated from flight to flight. The first flights' own uncertainty (the median)
       is the least standard deviation that is believed.
    3. A value beyond its limits enters the average as if it lay at the limit: one bad dark must
       not look like a drift for a month.

    A value among the first that lies grossly beyond the others breaks the rule of individuals
    itself, and the next flight takes its place.
    """
    each = np.asarray(values, np.float64)
    own = np.zeros_like(each) if uncertainties is None else np.asarray(uncertainties, np.float64)
    own = np.where(np.isfinite(own), own, 0.0)
    first, gross = _first_flights(each, own, least, baseline)
    watch = _Watch.start(each, own, first, least) if len(first) == baseline else None
    width, average, average_width = (np.full(each.size, np.nan) for _ in range(3))
    broken: list[Rule] = ["individuals" if i in gross else "" for i in range(each.size)]
    for i, (value, u) in enumerate(zip(each.tolist(), own.tolist(), strict=True)):
        if watch is None or not math.isfinite(value):
            continue
        if i > first[-1]:
            broken[i], width[i], average_width[i] = watch.judge(value, u)
        elif i not in gross:
            watch.average += WEIGHT * (value - watch.average)
        average[i] = watch.average
    centre, limit = (watch.centre, watch.single(0.0)) if watch else (math.nan, math.nan)
    return ControlChart(centre, limit, width, average, average_width, tuple(broken))


@dataclass
class _Watch:
    """What is known of a quantity as flight follows flight."""

    centre: float
    count: int  # flights that the centre is the mean of
    usual: float  # uncertainty of a flight that is in the scatter already
    least: float
    ranges: list[float]
    last: float | None  # the value before, if it broke no rule and was known as well as the first
    average: float
    excess: float = 0.0  # uncertainty of the average beyond the scatter

    @classmethod
    def start(cls, values: Array, own: Array, first: Sequence[int], least: float) -> _Watch:
        of_first = values[list(first)]
        centre, usual = float(of_first.mean()), float(np.median(own[list(first)]))
        ranges = moving_ranges(of_first).tolist()
        last = float(of_first[-1])
        return cls(centre, len(first), usual, max(least, usual), ranges, last, centre)

    @property
    def freedom(self) -> float:
        return FREEDOM_A_RANGE * len(self.ranges)

    @property
    def deviation(self) -> float:
        return max(sum(self.ranges) / len(self.ranges) / RANGE_OF_TWO, self.least)

    def single(self, excess: float, chance: float = CHANCE["individuals"]) -> float:
        """Half width of the limits for a value, with an uncertainty beyond the scatter."""
        spread = self.deviation * math.sqrt(1 + 1 / self.count)
        return _student(chance, self.freedom) * math.hypot(spread, excess)

    def mean(self) -> float:
        """Half width of the limits for the average."""
        spread = self.deviation * math.sqrt(WEIGHT / (2 - WEIGHT) + 1 / self.count)
        return _student(CHANCE["ewma"], self.freedom) * math.hypot(spread, self.excess)

    def judge(self, value: float, own: float) -> tuple[Rule, float, float]:
        """The rule that a flight breaks and both half widths; what it adds is kept."""
        excess = math.sqrt(max(own * own - self.usual * self.usual, 0.0))
        self.excess += WEIGHT * (excess - self.excess)
        away, width, average_width = value - self.centre, self.single(excess), self.mean()
        held = self.centre + min(max(away, -width), width)
        self.average += WEIGHT * (held - self.average)
        if abs(away) > width:
            rule: Rule = "individuals"
        else:
            rule = "ewma" if abs(self.average - self.centre) > average_width else ""
        alike = not rule and excess <= self.deviation
        if alike and self.last is not None:
            self.ranges.append(abs(value - self.last))
        self.last = value if alike else None
        return rule, width, average_width


def _first_flights(
    values: Array, own: Array, least: float, baseline: int
) -> tuple[list[int], frozenset[int]]:
    """The flights that give the centre, and those between them that are grossly unlike them."""
    known = [int(i) for i in np.flatnonzero(np.isfinite(values))]
    gross: set[int] = set()
    while True:
        first = [i for i in known if i not in gross][:baseline]
        if len(first) < baseline or baseline < 4:
            return first, frozenset(gross)
        middle = float(np.median(values[first]))
        odd = max(first, key=lambda i: abs(float(values[i]) - middle))
        others = [i for i in first if i != odd]
        watch = _Watch.start(values, own, others, least)
        # Every one of the first had the chance to be the odd one.
        limit = watch.single(0.0, CHANCE["individuals"] / baseline)
        if abs(values[odd] - watch.centre) <= limit:
            return first, frozenset(gross)
        gross.add(odd)


@cache
def _student(chance: float, freedom: float) -> float:
    """Student's t that is exceeded in magnitude by chance."""
    # Every run loads this module, and few have a chart to make.
    from scipy.special import stdtrit

    return float(-stdtrit(freedom, chance / 2))
