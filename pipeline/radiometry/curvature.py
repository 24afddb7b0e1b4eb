"""Does a straight line do? The squared term of panels' reflectance over their signal."""

from __future__ import annotations

import math

import numpy as np

from pipeline.records import Array


def squared_term(signal: Array, reflectance: Array, uncertainty: Array) -> tuple[Array, Array]:
    """Effect of a squared term at mid range, over the reflectance there, and its uncertainty.

    Parameters
    ----------
    signal : (panel, band) [count]; NaN leaves the band's parabola
    reflectance, uncertainty : alike [1], a panel's reflectance and the standard uncertainty of
        its point, independent from panel to panel

    Returns
    -------
    two of (band,) [1]; NaN with fewer than three different signals, or where the reflectance at
    mid range is not above zero.

    Notes
    -----
    Least squares, reflectance = a + b t + c t^2 with t from -1 at the smallest signal to 1 at the
    largest: c is what the term adds between mid range and the ends. c = sum of w rho over panels,
    so that u^2(c) = sum of (w u(rho))^2 (GUM eq. 10).
    """
    bands = signal.shape[1]
    effect, error = np.full(bands, math.nan), np.full(bands, math.nan)
    good = np.isfinite(signal) & np.isfinite(reflectance) & np.isfinite(uncertainty)
    for band in range(bands):
        k = good[:, band]
        x, y = signal[k, band], reflectance[k, band]
        if np.unique(x).size < 3:
            continue
        t = (x - x.min()) / np.ptp(x) * 2 - 1
        solve = np.linalg.pinv(np.vander(t, 3))
        c, base = float(solve[0] @ y), float(solve[2] @ y)
        if base > 0:
            effect[band] = c / base
            error[band] = math.sqrt(float(solve[0] ** 2 @ uncertainty[k, band] ** 2)) / base
    return effect, error
