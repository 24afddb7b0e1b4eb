"""A curve of the light over a flight: knots, what lies between them, and what lies beyond."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Array, Illumination, Mask

Index = NDArray[np.intp]

#: How the light wanders where nothing tells it, relative variance gained in a second: 0.3 % in a
#: minute, as under a clear sky with haze. Common practice, no source.
WANDER_PER_S = 0.003**2 / 60


@dataclass(frozen=True, eq=False)
class LightCurve:
    """Irradiance over that at the panels' time, straight in time between knots.

    The band axis has length 1 where the light is the same for all bands. Uncertainties are those
    of a ratio: what a time shares with the panels' own has cancelled.
    """

    time_s: Array  # (knot,) [s], increasing
    ratio: Array  # (knot, band) [1], above zero
    variance: Array  # (knot, band) [1], of `ratio`
    covariance: Array  # (knot - 1, band) [1], of the ratios of neighbouring knots
    wander: Array  # (band,) [1/s], variance that the light's own wandering gains in a second
    unseen_wander: Array  # (band,) [1/s], the same in gaps and beyond the ends, as large or larger
    gap: Mask  # (knot - 1,), stretches that were not observed: bridged, and flagged
    observed: Mask  # (knot,), false at knots of a gap or beyond what was observed
    slope: Array  # (band,) [1/s], trend of the ratio before the first and after the last knot
    slope_uncertainty: Array  # (band,) [1/s], standard, of that trend

    @property
    def bands(self) -> int:
        """Number of bands that the curve tells apart."""
        return int(self.ratio.shape[1])


def illumination_at(curve: LightCurve, time_s: Array) -> Illumination:
    """Irradiance ratio at the time of each line.

    Parameters
    ----------
    curve : from `curve_from_log` or `curve_from_passes`
    time_s : (line,) [s]; NaN gets ratio 1, an uncertainty as large as the light's changes over
        the curve, and is flagged

    Returns
    -------
    Illumination, (line,) for a curve of one band and (band, line) otherwise. Flagged as
    extrapolated are lines before the first knot, after the last, in a gap, or of unknown time.

    Notes
    -----
    Between knots a weighted mean of both, with their covariance, and a Brownian bridge of the
    light's wandering. In a gap the change across it, times the share of the gap to its nearer end,
    is added in quadrature. Beyond the ends the trend goes on, with a standard uncertainty of the
    trend's own and as large as what it adds, and the wandering since the end.
    """
    line_time = np.asarray(time_s, dtype=np.float64)
    known = np.isfinite(line_time)
    t = curve.time_s
    at = np.where(known, line_time, t[0])
    if t.size == 1:
        inside, w = at == t[0], np.zeros(at.shape)
        place: Index = np.zeros(at.shape, np.intp)
        ratio, variance = curve.ratio[place], curve.variance[place]
    else:
        inside = (at >= t[0]) & (at <= t[-1])
        place = np.clip(np.searchsorted(t, at, side="right") - 1, 0, t.size - 2)
        span = t[place + 1] - t[place]
        w = np.clip((at - t[place]) / span, 0.0, 1.0)
        ratio, variance = _between(curve, place, w, span[:, None])
    early, late = np.maximum(t[0] - at, 0.0), np.maximum(at - t[-1], 0.0)
    beyond = (early + late)[:, None]
    # The trend in relative terms, so that light never falls below zero.
    end = np.where(early > 0, 0, -1)
    relative = curve.slope / curve.ratio[end]
    ratio = ratio * np.exp(relative * (late - early)[:, None])
    added = np.hypot(curve.slope, curve.slope_uncertainty) * beyond
    variance = variance + added**2 + curve.unseen_wander * beyond

    changes = np.sqrt(((curve.ratio - 1.0) ** 2).mean(axis=0) + curve.variance.mean(axis=0))
    ratio = np.where(known[:, None], ratio, 1.0)
    uncertainty = np.where(known[:, None], np.sqrt(np.maximum(variance, 0.0)), changes)
    extrapolated = ~known | ~inside | _unobserved(curve, place, w)
    if curve.bands == 1:
        return Illumination(ratio[:, 0], uncertainty[:, 0], extrapolated)
    return Illumination(
        np.ascontiguousarray(ratio.T), np.ascontiguousarray(uncertainty.T), extrapolated
    )


def seconds_unobserved(curve: LightCurve, time_s: Array) -> Array:
    """Seconds from each time to the nearest knot that was observed, (line,); NaN where unknown."""
    line_time, seen = np.asarray(time_s, dtype=np.float64), curve.time_s[curve.observed]
    after = np.clip(np.searchsorted(seen, line_time), 0, seen.size - 1)
    before = np.maximum(after - 1, 0)
    return np.minimum(np.abs(seen[after] - line_time), np.abs(line_time - seen[before]))


def _unobserved(curve: LightCurve, place: Index, w: Array) -> Mask:
    """Times in a gap, (line,)."""
    if curve.time_s.size == 1:
        return np.asarray(~curve.observed[place])
    at_knot = np.where(w == 0, curve.observed[place], (w == 1) & curve.observed[place + 1])
    return np.asarray(curve.gap[place] & ~at_knot)


def _between(curve: LightCurve, place: Index, w: Array, span: Array) -> tuple[Array, Array]:
    """Ratio and variance within the stretches `place`, at their shares `w`; (line, band) each."""
    v = w[:, None]
    ratio = (1 - v) * curve.ratio[place] + v * curve.ratio[place + 1]
    variance = (
        (1 - v) ** 2 * curve.variance[place]
        + v**2 * curve.variance[place + 1]
        + 2 * v * (1 - v) * curve.covariance[place]
    )
    gap = curve.gap[place][:, None]
    wander = np.where(gap, curve.unseen_wander, curve.wander)
    change = (curve.ratio[place + 1] - curve.ratio[place]) * np.minimum(v, 1 - v)
    return ratio, variance + wander * span * v * (1 - v) + np.where(gap, change, 0.0) ** 2


def constant(lines: int) -> Illumination:
    """Ratio 1 throughout, uncertainty 0: no change of irradiance is known or corrected."""
    return Illumination(np.ones(lines), np.zeros(lines), np.zeros(lines, dtype=np.bool_))


def with_more(light: Illumination, uncertainty: Array) -> Illumination:
    """The same light with another standard uncertainty beside its own.

    `uncertainty` is (line,) or (band, line) and independent of what is there. By band where
    either is.
    """
    own, other = light.uncertainty, np.asarray(uncertainty, dtype=np.float64)
    total = np.hypot(own, other)
    ratio = np.broadcast_to(light.ratio, total.shape).copy()
    return replace(light, ratio=ratio, uncertainty=total)
