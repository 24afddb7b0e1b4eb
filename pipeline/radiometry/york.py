"""A straight line through points with uncertainty in both coordinates."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.records import Array, Mask

_TOLERANCE = 1e-12
_MOST_STEPS = 500


class YorkFit(NamedTuple):
    """Straight line y = intercept + slope * x; arrays without the point axis."""

    slope: Array
    intercept: Array
    var_slope: Array
    var_intercept: Array
    cov: Array
    chi2: Array  # sum of weighted squared residuals, York's S; not reduced


def york(
    x: Array,
    y: Array,
    ux: Array,
    uy: Array,
    r: float | Array = 0.0,
    *,
    used: Mask | None = None,
) -> YorkFit:
    """Straight line through points with uncertainty in both coordinates.

    Parameters
    ----------
    x, y : (point, ...), every trailing position its own fit
    ux, uy : alike, standard uncertainties; one of a point's two may be zero, not both
    r : correlation of a point's errors
    used : alike; points where false have no weight and may hold anything

    Returns
    -------
    YorkFit, (...). NaN with fewer than two points used, or all at one x. The (co)variances are
    those of the inputs, not enlarged by the scatter.

    Notes
    -----
    York, Evensen, Martinez and De Basabe Delgado (2004), Am. J. Phys. 72, 367, doi
    10.1119/1.1632486, eqs. 13a to 13d, iterated to 1e-12; errors at the adjusted points.
    Written in variances, 1/W = uy^2 + b^2 ux^2 - 2 b r ux uy, so that zero is allowed.
    """
    x, y, ux, uy = (np.asarray(v, dtype=np.float64) for v in np.broadcast_arrays(x, y, ux, uy))
    used = np.ones(x.shape, dtype=np.bool_) if used is None else np.broadcast_to(used, x.shape)
    # Places without weight hold ones, so that no NaN can leak through a product with zero.
    x, y = np.where(used, x, 0.0), np.where(used, y, 0.0)
    ux, uy = np.where(used, ux, 1.0), np.where(used, uy, 1.0)
    enough = used.sum(axis=0) >= 2
    vx, vy, cxy = ux * ux, uy * uy, r * ux * uy

    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):

        def weighed(b: Array) -> tuple[Array, Array, Array, Array, Array]:
            w = np.where(used, 1.0 / (vy + b * b * vx - 2 * b * cxy), 0.0)
            total = w.sum(axis=0)
            x_bar, y_bar = (w * x).sum(axis=0) / total, (w * y).sum(axis=0) / total
            u, v = x - x_bar, y - y_bar
            beta = w * (u * vy + b * v * vx - (b * u + v) * cxy)
            return w, x_bar, y_bar, beta, v

        n = np.maximum(used.sum(axis=0), 1)
        du, dv = x - x.sum(axis=0) / n, y - y.sum(axis=0) / n
        du, dv = np.where(used, du, 0.0), np.where(used, dv, 0.0)
        slope = (du * dv).sum(axis=0) / (du * du).sum(axis=0)
        for _ in range(_MOST_STEPS):
            w, x_bar, _, beta, v = weighed(slope)
            new = (w * beta * v).sum(axis=0) / (w * beta * (x - x_bar)).sum(axis=0)
            moved = np.abs(new - slope) > _TOLERANCE * np.abs(new)
            slope = new
            if not moved.any():
                break
        w, x_bar, y_bar, beta, _ = weighed(slope)
        total = w.sum(axis=0)
        intercept = y_bar - slope * x_bar
        adjusted = x_bar + beta
        centre = (w * adjusted).sum(axis=0) / total
        var_slope = 1.0 / (w * (adjusted - centre) ** 2).sum(axis=0)
        var_intercept = 1.0 / total + centre**2 * var_slope
        chi2 = (w * (y - slope * x - intercept) ** 2).sum(axis=0)
    parts = (slope, intercept, var_slope, var_intercept, -centre * var_slope, chi2)
    sound = enough & np.isfinite(var_slope)
    return YorkFit(*(np.where(sound, part, np.nan) for part in parts))


class _Second(NamedTuple):
    """S = sum of W r^2 about its minimum: a point's weight, its residual, and half the second
    derivatives by intercept twice, by intercept and slope, and by slope twice."""

    slope: Array  # 0 where there is no line
    x: Array  # (point, ...), 0 where unused, as all below
    r: Array
    w: Array
    w1: Array  # derivative of W by the slope
    own: tuple[Array, Array, Array]  # of each point's term
    whole: tuple[Array, Array, Array]  # of the sum


def _second_derivatives(
    fit: YorkFit, x: Array, y: Array, ux: Array, uy: Array, used: Mask
) -> _Second:
    sound = np.isfinite(fit.slope) & np.isfinite(fit.intercept)
    b, a = (np.where(sound, v, 0.0) for v in (fit.slope, fit.intercept))
    x, y = np.where(used, x, 0.0), np.where(used, y, 0.0)
    vx, vy = np.where(used, ux, 1.0) ** 2, np.where(used, uy, 1.0) ** 2
    w = np.where(used, 1.0 / (vy + b * b * vx), 0.0)
    w1 = -2 * b * vx * w * w
    w2 = 8 * (b * vx) ** 2 * w**3 - 2 * vx * w * w
    r = np.where(used, y - a - b * x, 0.0)
    own = (w, w * x - w1 * r, 0.5 * w2 * r * r - 2 * w1 * r * x + w * x * x)
    aa, ab, bb = (part.sum(axis=0) for part in own)
    return _Second(b, x, r, w, w1, own, (aa, ab, bb))


def york_derivatives(
    fit: YorkFit, x: Array, y: Array, ux: Array, uy: Array, used: Mask
) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Derivatives of slope and intercept by each point's coordinates.

    Parameters
    ----------
    fit : what `york` gave for these points without correlation
    x, y, ux, uy, used : (point, ...), as for `york`; unused points may hold anything

    Returns
    -------
    (slope, intercept) by x, and by y; (point, ...) each. 0 for unused points, NaN where the
    line is.

    Notes
    -----
    The line is where the gradient of S = sum of W r^2 is zero, with r = y - a - b x and
    1/W = uy^2 + b^2 ux^2; the implicit function theorem gives its derivatives from S's own.
    """
    s = _second_derivatives(fit, x, y, ux, uy, used)
    b, sound = s.slope, np.isfinite(fit.slope) & np.isfinite(fit.intercept)
    aa, ab, bb = s.whole
    determinant = aa * bb - ab * ab

    def solved(by_a: Array, by_b: Array) -> tuple[Array, Array]:
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = -(aa * by_b - ab * by_a) / determinant
            intercept = -(bb * by_a - ab * by_b) / determinant
        slope, intercept = (np.where(sound, v, np.nan) for v in (slope, intercept))
        return np.where(used, slope, 0.0), np.where(used, intercept, 0.0)

    by_x = solved(b * s.w, -b * s.w1 * s.r + b * s.w * s.x - s.w * s.r)
    by_y = solved(-s.w, s.w1 * s.r - s.w * s.x)
    return by_x, by_y


def york_without_each(
    fit: YorkFit, x: Array, y: Array, ux: Array, uy: Array, used: Mask
) -> tuple[Array, Array]:
    """Slope and intercept through all points but one, for each point in turn.

    Parameters as for `york_derivatives`.

    Returns
    -------
    (slope, intercept), (point, ...); of an unused point the whole fit's.

    Notes
    -----
    One step of Newton's method from the whole fit, where the gradient of S less the point's own
    term is that term's gradient: the cost is that of one fit, however many points there are. What
    it leaves is of the square of a point's weight in the fit; for few points fit them again.
    """
    s = _second_derivatives(fit, x, y, ux, uy, used)
    aa, ab, bb = (whole - own for whole, own in zip(s.whole, s.own, strict=True))
    determinant = aa * bb - ab * ab
    # Half the gradient of the point's own term.
    by_a = -s.w * s.r
    by_b = 0.5 * s.w1 * s.r * s.r - s.w * s.r * s.x
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = fit.slope + (aa * by_b - ab * by_a) / determinant
        intercept = fit.intercept + (bb * by_a - ab * by_b) / determinant
    return np.where(used, slope, fit.slope), np.where(used, intercept, fit.intercept)
