"""How a dark signal follows temperature and exposure from flight to flight.

Dark current grows with exposure and doubles every few kelvin; by how many differs from sensor to
sensor, and ten flights in one spring can hardly tell. So several laws are fitted, each counts by
how well it fits, and what they differ by is in the uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.records import Array

#: Kelvins in which the dark current doubles: one law each (6 to 8 K is usual: common practice, no
#: source; wider here, and nearly a straight line at the end).
DOUBLING_K: Final = (5.0, 6.0, 7.0, 8.0, 10.0, 14.0, 25.0, 100.0)
#: Range of the dark current over the first flights below which they show no law: that of 1 K.
LEAST_RANGE: Final = 0.1


class DarkCurrentEffect(NamedTuple):
    """What temperature and exposure account for, (flight,), in the unit of the level."""

    level: Array  # above the level at the first flights' mean temperature and exposure
    uncertainty: Array  # standard, of the difference to the first flights
    temperature_c: float  # mean of the first flights; NaN where unknown
    exposure_ms: float


def dark_current_effect(
    level: ArrayLike,
    temperature_c: ArrayLike,
    exposure_ms: ArrayLike,
    *,
    first: Sequence[int],
    least: float,
) -> DarkCurrentEffect | None:
    """Fit level = bias + current x exposure x 2^(temperature / doubling) to the first flights.

    Parameters
    ----------
    level : (flight,) of one camera at one gain
    temperature_c, exposure_ms : (flight,) [deg C], [ms]; NaN where unknown. A column without any
        value is taken as steady; a flight that lacks one is taken to be as the first were, with
        what that may cost in its uncertainty
    first : indices of the flights that the law is fitted to, three at least; their levels
        are finite
    least : standard deviation of the level below which scatter is not believed

    Returns
    -------
    None where the first flights differ too little in temperature and exposure to show a law, or
    too few of them say what theirs were.

    Notes
    -----
    Each law's slope has its own uncertainty, which grows with the distance from the first flights;
    the laws are weighed by (residual sum of squares)^(-n/2), as Bayes' rule with flat priors has
    it for normal data, and their spread is added. Own arithmetic; no source.
    """
    each = np.asarray(level, np.float64)
    currents, reference = _currents(temperature_c, exposure_ms, first)
    known = np.array([i for i in first if np.isfinite(currents[0, i])], np.intp)
    if len(known) < max(3, len(first) - 2):
        return None
    of_first = currents[:, known]
    if float(np.ptp(of_first[1])) < LEAST_RANGE * float(of_first[1].mean()):
        return None
    y = each[known]
    middle = of_first.mean(axis=1, keepdims=True)
    away = of_first - middle
    power = (away**2).sum(axis=1)
    slope = (away @ (y - y.mean())) / power
    rest = ((y - y.mean() - slope[:, None] * away) ** 2).sum(axis=1)
    floor = least**2 * len(known)
    log_weight = -0.5 * len(known) * np.log(np.maximum(rest + floor, 1e-300))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()

    share = slope[:, None] * (currents - middle)
    deviation = np.sqrt(np.maximum(rest / max(len(known) - 2, 1), least**2))
    of_slope = np.abs(currents - middle) * (deviation / np.sqrt(power))[:, None]
    mean = weight @ share
    variance = weight @ (of_slope**2 + (share - mean) ** 2)
    unknown = ~np.isfinite(mean)
    mean = np.where(unknown, 0.0, mean)
    spread = float(np.std(mean[known]))
    variance = np.where(unknown, spread**2, variance)
    return DarkCurrentEffect(mean, np.sqrt(variance), *reference)


def _currents(
    temperature_c: ArrayLike, exposure_ms: ArrayLike, first: Sequence[int]
) -> tuple[Array, tuple[float, float]]:
    """Dark current by each law, (law, flight), over that at the first flights' mean settings."""
    warm, usual_c = _or_steady(np.asarray(temperature_c, np.float64), first)
    long, usual_ms = _or_steady(np.asarray(exposure_ms, np.float64), first)
    doublings = np.array(DOUBLING_K)[:, None]
    currents = (
        long
        / np.nan_to_num(usual_ms, nan=1.0)
        * 2.0 ** ((warm - np.nan_to_num(usual_c, nan=1.0)) / doublings)
    )
    return currents, (usual_c, usual_ms)


def _or_steady(column: Array, first: Sequence[int]) -> tuple[Array, float]:
    """The column and its mean over the first flights; ones and NaN where those do not have it."""
    known = column[list(first)]
    known = known[np.isfinite(known)]
    if not known.size:
        return np.ones_like(column), float("nan")
    return column, float(known.mean())
