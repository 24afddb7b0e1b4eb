"""Noise of the signal by photon transfer: what `equation.noise_variance` takes as K."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import CalibrationError
from pipeline.radiometry.robust import robust_sigma
from pipeline.records import Array

#: The fit goes up to this share of saturation (EMVA 1288 R4.0, photon transfer).
LINEAR_SHARE = 0.7

_LEAST_POINTS = 3
_LEAST_BANDS = 16


class PhotonTransfer(NamedTuple):
    """Result of a photon transfer; NaN where the data cannot tell."""

    electrons_per_count: float
    read_noise_counts: float
    standard_error: float  # of electrons_per_count


def difference_variance(block: NDArray[Any]) -> Array:
    """Temporal variance of each band in a uniform patch, from differences of successive lines.

    Parameters
    ----------
    block : (line, band, sample) [count], dark subtracted, two lines at least; NaN is passed over

    Returns
    -------
    (band,) [count^2]: half the mean square of first differences, which slow gradients do not
    reach. Where noise of successive lines is correlated (lag r1) the result is low by 1 - r1.

    Notes
    -----
    What all bands of a pixel share (flicker of the light, texture of the panel) is no noise: with
    `_LEAST_BANDS` bands or more each pixel is divided by its level over all bands, and what that
    takes from the noise itself is given back. With fewer bands each line is divided by its level.
    """
    x = np.asarray(block, dtype=np.float64)
    if x.ndim != 3 or len(x) < 2:
        raise CalibrationError(f"expected two lines at least, (line, band, sample); got {x.shape}")
    known = np.isfinite(x)
    x = np.where(known, x, 0.0)
    n = np.maximum(known.sum(axis=(0, 2)), 1)
    mean = x.sum(axis=(0, 2)) / n
    axis: tuple[int, ...] = (1,) if x.shape[1] >= _LEAST_BANDS else (1, 2)
    expected = np.where(known, np.maximum(mean, 0.0)[:, None], 0.0).sum(axis=axis, keepdims=True)
    counted = np.where(known & (mean > 0)[:, None], x, 0.0).sum(axis=axis, keepdims=True)
    level = np.where(expected > 0, counted / np.where(expected > 0, expected, 1.0), 1.0)
    x = np.where(level > 0.05, x / np.where(level > 0.05, level, 1.0), np.nan)
    both = known[1:] & known[:-1] & np.isfinite(x[1:]) & np.isfinite(x[:-1])
    difference = np.where(both, x[1:] - x[:-1], 0.0)
    pairs = both.sum(axis=(0, 2))
    variance = (difference**2).sum(axis=(0, 2)) / np.maximum(2 * pairs, 1)
    if len(axis) == 1:
        variance = _returned(variance, np.maximum(mean, 0.0))
    return np.where(pairs > 0, variance, np.nan)


def _returned(variance: Array, mean: Array) -> Array:
    """Variance before each pixel was divided by its level over all bands.

    With T the sum of the means, the division leaves v (1 - 2 m/T) + m^2 sum(v)/T^2 of v.
    """
    total = mean.sum()
    if not total > 0:
        return variance
    share = np.minimum(mean / total, 0.25)
    before = variance.copy()
    for _ in range(20):
        before = (variance - share**2 * before.sum()) / (1 - 2 * share)
        before = np.maximum(before, 0.0)
    return before


def photon_transfer(
    signal_mean: Array,
    temporal_variance: Array,
    dark_variance: Array | float,
    *,
    saturation_counts: float,
) -> PhotonTransfer:
    """Overall system gain from the growth of temporal variance with signal.

    Parameters
    ----------
    signal_mean : (point,) [count], dark subtracted; any shape
    temporal_variance : alike [count^2]
    dark_variance : alike, or one number [count^2], temporal variance in the dark
    saturation_counts : points above `LINEAR_SHARE` of it are left out

    Returns
    -------
    PhotonTransfer; K is NaN with fewer than three usable points or a slope not above zero. Read
    noise holds the quantisation's 1/12 count^2.

    Notes
    -----
    EMVA 1288 R4.0, photon transfer: variance - dark variance = signal / K, a straight line through
    the dark point (EMVA's own K is the inverse, in counts an electron). Points are weighted by
    the inverse of the expected variance, and the line is fitted again without points
    more than five robust sigmas off.
    """
    x = np.asarray(signal_mean, dtype=np.float64).ravel()
    dark = np.broadcast_to(np.asarray(dark_variance, np.float64), np.shape(signal_mean)).ravel()
    total = np.asarray(temporal_variance, dtype=np.float64).ravel()
    usable = np.isfinite(x + dark + total) & (x > 0) & (x <= LINEAR_SHARE * saturation_counts)
    x, dark, y = x[usable], dark[usable], (total - dark)[usable]
    read = math.sqrt(float(np.median(dark))) if len(dark) else math.nan
    if len(x) < _LEAST_POINTS:
        return PhotonTransfer(math.nan, read, math.nan)
    kept = np.ones(len(x), dtype=np.bool_)
    # The median of the point slopes of the brighter half is where a wild point cannot lead.
    bright = x >= np.median(x)
    slope = float(np.median(y[bright] / x[bright]))
    error = math.nan
    for _ in range(10):
        expected = np.maximum(dark + max(slope, 0.0) * x, 1e-12)
        scaled_x, scaled_y = x / expected, y / expected
        residual = scaled_y - slope * scaled_x
        middle = float(np.median(residual))
        sigma = robust_sigma(residual)
        kept = np.abs(residual - middle) <= 5 * max(sigma, 1e-12)
        power = float((scaled_x[kept] ** 2).sum())
        new = float((scaled_x[kept] * scaled_y[kept]).sum()) / power
        rest = scaled_y[kept] - new * scaled_x[kept]
        error = math.sqrt(float((rest**2).sum()) / max(int(kept.sum()) - 1, 1) / power)
        done = abs(new - slope) <= 1e-9 * abs(new)
        slope = new
        if done:
            break
    if not slope > 0:
        return PhotonTransfer(math.nan, read, math.nan)
    return PhotonTransfer(1 / slope, read, error / slope**2)
