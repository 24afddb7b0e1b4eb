"""The empirical line: reflectance = offset + gain * signal, per band, with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from pipeline.radiometry.equation import FitVariance, reflectance_from_signal
from pipeline.records import Array, EmpiricalLine, Mask, PanelReference

#: Panels' signals closer than this many combined standard uncertainties span no line.
LEAST_SEPARATION = 3.0

_TOLERANCE = 1e-12
_MOST_STEPS = 500
#: Smallest uncertainty taken, relative to the values' range: a zero would be an infinite weight.
_LEAST_RELATIVE_UNCERTAINTY = 1e-9
#: Step of the numerical derivatives, relative to the values' range.
_DERIVATIVE_STEP = 1e-5


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


def _solve(x: Array, y: Array, ux: Array, uy: Array, used: Mask) -> tuple[Array, Array]:
    """(gain, offset) of each band: York's line, or through zero where one panel is usable."""
    fit = york(x, y, ux, uy, used=used)
    single = used.sum(axis=0) == 1
    with np.errstate(divide="ignore", invalid="ignore"):
        alone = np.where(used, y, 0.0).sum(axis=0) / np.where(used, x, 0.0).sum(axis=0)
    return np.where(single, alone, fit.slope), np.where(single, 0.0, fit.intercept)


def _jacobians(
    x: Array, y: Array, ux: Array, uy: Array, used: Mask
) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Derivatives of (gain, offset) by each signal and by each reflectance, (panel, band) each.

    Central differences of the very solution that is used, all panels at once.
    """
    panels = len(x)

    def by(values: Array, *, signals: bool) -> tuple[Array, Array]:
        span = np.max(np.where(used, np.abs(values), 0.0), axis=0)
        step = _DERIVATIVE_STEP * np.where(span > 0, span, 1.0)
        moves = np.eye(panels)[:, :, None] * step  # (panel, moved panel, band)
        moved = values[:, None] + np.concatenate([moves, -moves], axis=1)
        xs, ys = (moved, y[:, None]) if signals else (x[:, None], moved)
        gain, offset = _solve(xs, ys, ux[:, None], uy[:, None], used[:, None])
        scale = 2 * step
        return (gain[:panels] - gain[panels:]) / scale, (offset[:panels] - offset[panels:]) / scale

    return by(x, signals=True), by(y, signals=False)


def _propagate(jacobian: tuple[Array, Array], u: Array, *, together: bool) -> list[Array]:
    """(var gain, var offset, cov) of errors u, (panel, band), independent or wholly correlated."""
    gain, offset = jacobian[0] * u, jacobian[1] * u
    if together:
        gain, offset = gain.sum(axis=0, keepdims=True), offset.sum(axis=0, keepdims=True)
    return [(gain * gain).sum(axis=0), (offset * offset).sum(axis=0), (gain * offset).sum(axis=0)]


def fit_empirical_line(
    references: Sequence[PanelReference],
    signal: Array,
    uncertainty: Array,
    usable: Mask,
    *,
    certificates_correlated: bool = False,
) -> EmpiricalLine:
    """Empirical line of every band from its usable panels.

    Parameters
    ----------
    references : the panels, their certificates averaged over the bands
    signal, uncertainty : (panel, band) [count], mean signal at the panels' irradiance and its
        standard uncertainty
    usable : (panel, band), false where a panel leaves the band's fit (saturated); NaN leave it too
    certificates_correlated : the certificates' errors go wholly together from panel to panel

    Returns
    -------
    EmpiricalLine, NaN where a band is not calibrated: no usable panel, a gain not above zero, or
    signals closer than `LEAST_SEPARATION` combined standard uncertainties (with one panel: to
    zero). One usable panel gives a gain alone, offset zero and without variance.

    Notes
    -----
    Two or more panels: `york`, weighted as if all errors were independent. (Co)variances are
    J Sigma J^T, with the derivatives J of (gain, offset) at the values as measured, for the
    certificates and for the signals apart, which keeps what is systematic apart from what is
    random. For independent errors York's own formula is the same to first order in the residuals,
    and the same altogether for two panels. Totals are the sum of the two parts, times the reduced
    chi-square where that is above 1 (Birge ratio squared).
    """
    x = np.asarray(signal, dtype=np.float64)
    ux_given = np.asarray(uncertainty, dtype=np.float64)
    y = np.stack([reference.reflectance for reference in references])
    uy_given = np.stack([reference.uncertainty for reference in references])
    used = np.asarray(usable, dtype=np.bool_) & np.isfinite(x + y + ux_given + uy_given)
    used &= (ux_given >= 0) & (uy_given >= 0)
    x, y = np.where(used, x, 0.0), np.where(used, y, 0.0)
    ux_given, uy_given = np.where(used, ux_given, 0.0), np.where(used, uy_given, 0.0)
    tiny = np.finfo(np.float64).tiny ** 0.25
    least = _LEAST_RELATIVE_UNCERTAINTY
    ux = np.maximum(ux_given, np.maximum(least * np.abs(x).max(axis=0), tiny))
    uy = np.maximum(uy_given, np.maximum(least * np.abs(y).max(axis=0), tiny))

    gain, offset = _solve(x, y, ux, uy, used)
    panels = used.sum(axis=0)
    calibrated = (panels >= 1) & np.isfinite(gain) & (np.nan_to_num(gain) > 0)
    calibrated &= _separated(x, ux_given, used)

    used &= calibrated
    gain, offset = np.where(calibrated, gain, np.nan), np.where(calibrated, offset, np.nan)
    by_signal, by_reflectance = _jacobians(x, y, ux, uy, used)
    certificate = _propagate(by_reflectance, uy_given, together=certificates_correlated)
    scatter = _propagate(by_signal, ux_given, together=False)

    residual = np.where(used, y - reflectance_from_signal(x, gain, offset), np.nan)
    dof = np.where(calibrated & (panels >= 2), panels - 2, 0).astype(np.intp)
    weight = np.where(used, 1.0 / (uy**2 + gain**2 * ux**2), 0.0)
    chi2 = (weight * np.nan_to_num(residual) ** 2).sum(axis=0)
    chi_square = np.where(dof > 0, chi2 / np.maximum(dof, 1), np.nan)
    birge = np.sqrt(np.fmax(chi_square, 1.0))
    total = [(c + s) * birge**2 for c, s in zip(certificate, scatter, strict=True)]

    def where_calibrated(values: Array) -> Array:
        return np.where(calibrated, values, np.nan)

    return EmpiricalLine(
        gain=gain,
        offset=offset,
        gain_variance=where_calibrated(total[0]),
        offset_variance=where_calibrated(total[1]),
        covariance=where_calibrated(total[2]),
        certificate_gain_variance=where_calibrated(certificate[0]),
        certificate_offset_variance=where_calibrated(certificate[1]),
        certificate_covariance=where_calibrated(certificate[2]),
        scatter_gain_variance=where_calibrated(scatter[0]),
        scatter_offset_variance=where_calibrated(scatter[1]),
        scatter_covariance=where_calibrated(scatter[2]),
        chi_square=where_calibrated(chi_square),
        birge=where_calibrated(birge),
        degrees_of_freedom=dof,
        panels=tuple(reference.name for reference in references),
        used=used,
        residual=residual,
        # A gain alone is a line through zero: its span begins there.
        low=where_calibrated(
            np.where(used.sum(axis=0) == 1, 0.0, np.where(used, y, np.inf).min(axis=0))
        ),
        high=where_calibrated(np.where(used, y, -np.inf).max(axis=0)),
        calibrated=calibrated,
    )


def _separated(x: Array, ux: Array, used: Mask) -> Mask:
    """Whether the panels' signals lie far enough apart (one panel: from zero), (band,)."""
    band = np.arange(x.shape[1])
    top = np.argmax(np.where(used, x, -np.inf), axis=0)
    bottom = np.argmin(np.where(used, x, np.inf), axis=0)
    single = used.sum(axis=0) == 1
    low = np.where(single, 0.0, x[bottom, band])
    u_low = np.where(single, 0.0, ux[bottom, band])
    apart = x[top, band] - low
    return np.asarray((apart > 0) & (apart >= LEAST_SEPARATION * np.hypot(ux[top, band], u_low)))


def combine_passes(signals: Array, uncertainties: Array) -> tuple[Array, Array]:
    """Repeated passes over one panel as one reading.

    Parameters
    ----------
    signals, uncertainties : (pass, band) [count], at the same irradiance; NaN are passed over

    Returns
    -------
    (mean, standard uncertainty), (band,). The plain mean; its variance is the mean of the passes'
    own or, where the passes scatter more than that, their scatter, over the number of passes.
    """
    signals = np.asarray(signals, dtype=np.float64)
    known = np.isfinite(signals) & np.isfinite(uncertainties)
    n = known.sum(axis=0)
    some = np.maximum(n, 1)
    mean = np.where(known, signals, 0.0).sum(axis=0) / some
    own = np.where(known, uncertainties, 0.0) ** 2
    within = own.sum(axis=0) / some
    between = np.where(known, (signals - mean) ** 2, 0.0).sum(axis=0) / np.maximum(n - 1, 1)
    variance = np.maximum(within, between) / some
    return np.where(n > 0, mean, np.nan), np.where(n > 0, np.sqrt(variance), np.nan)


def predict(fit: EmpiricalLine, signal: Array, u_signal: Array) -> tuple[Array, Array]:
    """Reflectance of a signal that had no part in the fit, and its standard uncertainty.

    Parameters
    ----------
    signal, u_signal : (..., band) [count], signal over irradiance ratio

    Returns
    -------
    two of (..., band); NaN where the band is not calibrated.

    Notes
    -----
    u^2 = g^2 u^2(S) + S^2 u^2(g) + u^2(a) + 2 S cov(g, a) (GUM eq. 13).
    """
    value = reflectance_from_signal(signal, fit.gain, fit.offset)
    of_fit = FitVariance(fit.gain_variance, fit.offset_variance, fit.covariance)
    variance = (fit.gain * u_signal) ** 2 + of_fit.at(signal)
    return np.asarray(value), np.sqrt(np.maximum(variance, 0.0))


def leave_one_out(
    references: Sequence[PanelReference], signal: Array, uncertainty: Array, usable: Mask
) -> Array:
    """Each fit panel predicted by the others, less its certificate, (panel, band).

    Parameters as for `fit_empirical_line`. NaN where fewer than three panels are usable, and for a
    panel not usable itself.
    """
    out = np.full(np.shape(signal), np.nan)
    finite = np.isfinite(signal) & np.isfinite([ref.reflectance for ref in references])
    use = np.asarray(usable, dtype=np.bool_) & finite
    enough = use.sum(axis=0) >= 3
    for k, reference in enumerate(references):
        others = use.copy()
        others[k] = False
        fit = fit_empirical_line(references, signal, uncertainty, others)
        error = reflectance_from_signal(signal[k], fit.gain, fit.offset) - reference.reflectance
        out[k] = np.where(enough & use[k], error, np.nan)
    return out


def without_each(
    references: Sequence[PanelReference], signal: Array, uncertainty: Array, usable: Mask
) -> Array:
    """Median reduced chi-square over bands of the line through all panels but one, (panel,).

    Parameters as for `fit_empirical_line`. NaN where fewer than three others are usable in any
    band. The panel left out with the least is the one that the others agree without.
    """
    out = np.full(len(references), np.nan)
    for k in range(len(references)):
        others = np.array(usable, dtype=np.bool_)
        others[k] = False
        chi_square = fit_empirical_line(references, signal, uncertainty, others).chi_square
        if np.isfinite(chi_square).any():
            out[k] = np.nanmedian(chi_square)
    return out
