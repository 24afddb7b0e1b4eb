"""A level that wanders, seen through noise: how much of each, and where the level was.

The local level model of time series (Durbin and Koopman 2012, Time Series Analysis by State Space
Methods, chapter 2) at unequal steps, on a straight trend: what a light meter reads is the light,
which changes by a trend and by steps of independent sign (variance growing with time), and noise
of the meter from row to row. A log with little noise is followed row by row; one whose noise
hides its changes is averaged over as many rows as serve.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from pipeline.compiled.call import compiled
from pipeline.radiometry.distributions import few_factor
from pipeline.radiometry.robust import MAD_TO_SIGMA
from pipeline.records import Array, Mask

#: Shares of one median step's variance that are wandering, tried from none to all.
_SHARES = np.concatenate([[0.0], 1 / (1 + 10.0 ** np.linspace(9, -6, 46)), [1.0]])
#: The log likelihood may fall by this much from its best to the share that is taken, the largest:
#: the side on which less is averaged, and a light that only seems constant is not taken as such.
_LIKELIHOOD_MARGIN = 0.2


class Wandering(NamedTuple):
    """What the rows of one series say of trend, wandering and noise."""

    trend: float  # [1/s]
    trend_variance: float
    wander: float  # [1/s], variance gained in a second
    noise: float  # variance of a row's noise


def wandering(time_s: Array, value: Array) -> Wandering:
    """Trend, wandering and noise of a series by restricted maximum likelihood.

    Parameters
    ----------
    time_s : (row,) [s], increasing, three rows at least
    value : (row,) any unit, finite

    Notes
    -----
    Trend and scale are concentrated out of the likelihood; the one number left, how much of a
    step's variance is wandering, is taken as large as the likelihood allows within
    `_LIKELIHOOD_MARGIN`. Light that changes smoothly is no such wandering: where rows depart from
    their neighbours by more than the two explain, both are enlarged to match. Variances of few
    rows are enlarged as Student's t has it for k = 1.
    """
    n = len(time_s)
    unit = float(np.median(np.diff(time_s)))
    at = (time_s - time_s[0]) / unit
    y = value - value[0]
    fits = np.empty((len(_SHARES), 4))
    for fit, share in zip(fits, _SHARES, strict=True):
        _profile(at, y, float(share), fit)
    freedom = n - 2
    tiny = 1e-28 * float(np.abs(value).max()) ** 2
    scale = np.maximum(fits[:, 0] / freedom, tiny)
    likelihood = -0.5 * (freedom * np.log(scale) + fits[:, 1])
    best = np.flatnonzero(likelihood >= likelihood.max() - _LIKELIHOOD_MARGIN)[-1]
    share = float(_SHARES[best])
    enlarged = float(scale[best]) * few_factor(freedom) ** 2
    enlarged *= max(_roughness(at, y) / max(_expected_roughness(at, share, enlarged), tiny), 1.0)
    return Wandering(
        trend=float(fits[best, 2]) / unit,
        trend_variance=float(fits[best, 3]) * enlarged / unit**2,
        wander=share * enlarged / unit,
        noise=(1 - share) * enlarged,
    )


def _roughness(at: Array, y: Array) -> float:
    """Mean square departure of rows from the straight line through their two neighbours."""
    w = (at[1:-1] - at[:-2]) / (at[2:] - at[:-2])
    return float(np.mean((y[1:-1] - (1 - w) * y[:-2] - w * y[2:]) ** 2))


def _expected_roughness(at: Array, share: float, scale: float) -> float:
    """What wandering and noise make of `_roughness`: a Brownian bridge, and three rows' noise."""
    span = at[2:] - at[:-2]
    w = (at[1:-1] - at[:-2]) / span
    bridge = share * span * w * (1 - w)
    return scale * float(np.mean(bridge + (1 - share) * (1 + w**2 + (1 - w) ** 2)))


def row_scatter(time_s: Array, value: Array) -> float:
    """Robust standard deviation of one row's noise, in the values' unit.

    Of rows about the straight line through their two neighbours; zero with fewer than three rows.
    Times increase, equal ones count once.
    """
    t, first = np.unique(time_s, return_index=True)
    y = value[first]
    if len(t) < 3:
        return 0.0
    w = (t[1:-1] - t[:-2]) / (t[2:] - t[:-2])
    residual = y[1:-1] - (1 - w) * y[:-2] - w * y[2:]
    return MAD_TO_SIGMA * float(np.median(np.abs(residual) / np.sqrt(1 + (1 - w) ** 2 + w**2)))


@compiled
def _profile(at, y, share, fit):  # type: ignore[no-untyped-def]
    """Fit one share: rest of squares, log determinant, trend, its variance over the scale.

    Innovations of a Kalman filter that starts from the first row, of the values and of time
    itself; the trend is the regression of the one on the other.
    """
    noise = 1.0 - share
    p, m, mx = noise, y[0], at[0]
    yy = ty = tt = logs = 0.0
    for k in range(1, y.size):
        p += share * (at[k] - at[k - 1])
        total = p + noise
        e, ex = y[k] - m, at[k] - mx
        yy += e * e / total
        ty += e * ex / total
        tt += ex * ex / total
        logs += math.log(total)
        gain = p / total
        m += gain * e
        mx += gain * ex
        p *= noise / total
    fit[0], fit[1] = yy - ty * ty / tt, logs + math.log(tt)
    fit[2], fit[3] = ty / tt, 1.0 / tt


class Level(NamedTuple):
    """The level at knots, given all rows; `together` times a variance at a later knot, multiplied
    from knot to knot, is the covariance with it."""

    value: Array  # (knot,)
    variance: Array  # (knot,)
    together: Array  # (knot - 1,), covariance with the next knot over the next knot's variance
    by_trend: Array  # (knot,) [s], the level's derivative by the trend


def level_at(
    time_s: Array, value: Array, seen: Mask, found: Wandering, unseen_wander: Array | None = None
) -> Level:
    """The level at each knot, from the rows before and after it.

    Parameters
    ----------
    time_s : (knot,) [s], increasing
    value : (knot,), anything where not `seen`
    seen : (knot,), which knots are rows; one at least
    found : of the rows
    unseen_wander : (knot - 1,) [1/s], wandering from knot to knot where it is not that of the rows

    Notes
    -----
    Kalman filter and fixed-interval smoother, the trend taken as known; what its uncertainty
    brings to the level follows from `by_trend`, zero where rows hold the level. Knots before the
    first row are reached backwards from it.
    """
    since = time_s - time_s[0]
    trend, noise = found.trend * since, max(found.noise, 1e-300)
    wander = found.wander if unseen_wander is None else unseen_wander
    gained = wander * np.diff(time_s)
    of_rows = np.where(seen, value - trend, 0.0)
    level, variance, held, unused = np.empty((4, len(since)))
    together = np.ones(len(gained))
    _smooth(of_rows, seen, gained, noise, level, variance, together)
    _smooth(np.where(seen, since, 0.0), seen, gained, noise, held, unused, together)
    return Level(level + trend, variance, together, since - held)


@compiled
def _smooth(y, seen, gained, noise, m, p, together):  # type: ignore[no-untyped-def]
    """Level, variance, and `together` (ones before it) of a series; see `Level`."""
    n = y.size
    first = 0
    while not seen[first]:
        first += 1
    m[first], p[first] = y[first], noise
    for k in range(first + 1, n):
        before = p[k - 1] + gained[k - 1]
        m[k], p[k] = m[k - 1], before
        if seen[k]:
            total = before + noise
            m[k] += before / total * (y[k] - m[k - 1])
            p[k] = before * noise / total
    for k in range(n - 2, -1, -1):
        if k >= first:
            back = p[k] / (p[k] + gained[k])
            m[k] += back * (m[k + 1] - m[k])
            p[k] = back * gained[k] + back * back * p[k + 1]
            together[k] = back
        else:
            m[k], p[k] = m[k + 1], p[k + 1] + gained[k]


def fastest_wander(time_s: Array, level: Array, trend: float) -> float:
    """Variance gained in a second at the lag where a level gains most of it, [1/s].

    Parameters
    ----------
    time_s, level : (row,), increasing; the level as smoothed, straight between rows
    trend : [1/s], taken out first

    Notes
    -----
    The mean square change over lags from a sixteenth to half of the series, over the lag: light
    that swings smoothly changes more in a minute than sixty independent steps of a second would
    make of it.
    """
    span = float(time_s[-1] - time_s[0])
    at = np.linspace(time_s[0], time_s[-1], 257)
    rest = np.interp(at, time_s, level - trend * (time_s - time_s[0]))
    lags = (16, 23, 32, 45, 64, 91, 128)
    return max(float(np.mean((rest[k:] - rest[:-k]) ** 2)) / (span * k / 256) for k in lags)


def covariances(level: Level, knot: int) -> Array:
    """Covariance of the level at one knot with that at every knot, (knot,)."""
    found = np.empty(level.variance.size)
    _from_knot(level.variance, level.together, int(knot), found)
    return found


@compiled
def _from_knot(variance, together, knot, found):  # type: ignore[no-untyped-def]
    found[knot] = variance[knot]
    product = variance[knot]
    for k in range(knot - 1, -1, -1):
        product *= together[k]
        found[k] = product
    product = 1.0
    for k in range(knot, variance.size - 1):
        product *= together[k]
        found[k + 1] = product * variance[k + 1]
