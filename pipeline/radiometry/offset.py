"""The offset of bands in which one panel is left: that of the bands that have one."""

from __future__ import annotations

import numpy as np

from pipeline.records import Array, Mask

#: Fitted bands, the nearest ones, whose median offset is carried over.
NEAREST = 10


def carried_offset(
    offset: Array, offset_variance: Array, fitted: Mask, least_uncertainty: float
) -> tuple[Array, Array]:
    """Offset of each band from the fitted ones, and its standard uncertainty.

    Parameters
    ----------
    offset, offset_variance : (band,) [1], of the bands in which a line was fitted
    fitted : (band,), where that is
    least_uncertainty : [1] what an offset may be, path signal and a wrong dark, where no band
        tells of it

    Returns
    -------
    two of (band,) [1]. Without a fitted band 0 and `least_uncertainty`; else the median of the
    `NEAREST` ones, with the largest of `least_uncertainty`, their scatter, and what their trend
    makes of the distance, and with the fitted offset's own uncertainty.

    Notes
    -----
    Common practice, no source: path signal is smooth in wavelength.
    """
    place = np.arange(fitted.size, dtype=np.float64)
    known = np.flatnonzero(fitted & np.isfinite(offset) & np.isfinite(offset_variance))
    if not known.size:
        return np.zeros(fitted.size), np.full(fitted.size, least_uncertainty)
    a, v = offset[known], offset_variance[known]
    scatter = float(a.std(ddof=1)) if known.size > 1 else 0.0
    trend = float(np.polyfit(place[known], a, 1)[0]) if known.size > 2 else 0.0
    value, u = np.empty(fitted.size), np.empty(fitted.size)
    for band in range(fitted.size):
        near = np.argsort(np.abs(known - band), kind="stable")[:NEAREST]
        away = abs(band - float(known[near].mean()))
        value[band] = np.median(a[near])
        u[band] = np.hypot(
            max(least_uncertainty, scatter, abs(trend) * away), np.sqrt(np.median(v[near]))
        )
    return value, u
