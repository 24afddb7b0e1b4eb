"""The empirical line: reflectance = offset + gain * signal, per band, with its uncertainty."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.radiometry.distributions import reduced_chi_square_point
from pipeline.radiometry.equation import FitVariance, reflectance_from_signal
from pipeline.radiometry.offset import carried_offset
from pipeline.radiometry.york import YorkFit, york, york_derivatives, york_without_each
from pipeline.records import Array, EmpiricalLine, Mask, PanelReference

#: Panels' signals closer than this many combined standard uncertainties span no line.
LEAST_SEPARATION = 3.0
#: Up to so many panels in a band the others are fitted again when each is left out in turn.
FITTED_AGAIN_UP_TO = 20

#: Smallest uncertainty taken, relative to the values' range: a zero would be an infinite weight.
_LEAST_RELATIVE_UNCERTAINTY = 1e-9


def _solve(x: Array, y: Array, ux: Array, uy: Array, used: Mask) -> YorkFit:
    """York's line of each band, or a gain through zero where one panel is usable."""
    fit = york(x, y, ux, uy, used=used)
    single = used.sum(axis=0) == 1
    with np.errstate(divide="ignore", invalid="ignore"):
        alone = np.where(used, y, 0.0).sum(axis=0) / np.where(used, x, 0.0).sum(axis=0)
    slope, intercept = np.where(single, alone, fit.slope), np.where(single, 0.0, fit.intercept)
    return fit._replace(slope=slope, intercept=intercept)


def _derivatives(
    fit: YorkFit, x: Array, y: Array, ux: Array, uy: Array, used: Mask
) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Derivatives of (gain, offset) by each signal and by each reflectance, (panel, band) each."""
    by_signal, by_reflectance = york_derivatives(fit, x, y, ux, uy, used)
    single = used & (used.sum(axis=0) == 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_x, by_y = -y / (x * x), 1.0 / x
    return (
        (np.where(single, by_x, by_signal[0]), np.where(single, 0.0, by_signal[1])),
        (np.where(single, by_y, by_reflectance[0]), np.where(single, 0.0, by_reflectance[1])),
    )


class _Points(NamedTuple):
    """Panels as the fit takes them, (panel, band) each; places not used hold zeros."""

    x: Array  # [count]
    y: Array  # [1]
    signal_u: Array  # as given
    certificate_u: Array
    ux: Array  # never zero, which would be an infinite weight
    uy: Array
    used: Mask


def _points(
    references: Sequence[PanelReference], signal: Array, uncertainty: Array, usable: Mask
) -> _Points:
    x = np.asarray(signal, dtype=np.float64)
    signal_u = np.asarray(uncertainty, dtype=np.float64)
    y = np.stack([reference.reflectance for reference in references])
    certificate_u = np.stack([reference.uncertainty for reference in references])
    used = np.asarray(usable, dtype=np.bool_) & np.isfinite(x + y + signal_u + certificate_u)
    used &= (signal_u >= 0) & (certificate_u >= 0)
    x, y, signal_u, certificate_u = (
        np.where(used, v, 0.0) for v in (x, y, signal_u, certificate_u)
    )
    tiny = np.finfo(np.float64).tiny ** 0.25
    least = _LEAST_RELATIVE_UNCERTAINTY
    ux = np.maximum(signal_u, np.maximum(least * np.abs(x).max(axis=0), tiny))
    uy = np.maximum(certificate_u, np.maximum(least * np.abs(y).max(axis=0), tiny))
    return _Points(x, y, signal_u, certificate_u, ux, uy, used)


class _Line(NamedTuple):
    """A line through points and how it fits, (band,) each."""

    fit: YorkFit
    calibrated: Mask
    degrees_of_freedom: NDArray[np.intp]
    chi_square: Array  # reduced; NaN with no degrees of freedom


def _line_through(points: _Points) -> _Line:
    """The line of each band."""
    return _judged(points, _solve(points.x, points.y, points.ux, points.uy, points.used))


def _judged(points: _Points, fit: YorkFit) -> _Line:
    """A line, and how it fits the points."""
    panels = points.used.sum(axis=0)
    calibrated = (panels >= 1) & np.isfinite(fit.slope) & (np.nan_to_num(fit.slope) > 0)
    calibrated &= _separated(points.x, points.signal_u, points.used)
    dof = np.where(calibrated & (panels >= 2), panels - 2, 0).astype(np.intp)
    with np.errstate(divide="ignore", invalid="ignore"):
        residual = points.y - reflectance_from_signal(points.x, fit.slope, fit.intercept)
        weight = 1.0 / (points.uy**2 + fit.slope**2 * points.ux**2)
        chi2 = np.where(points.used & calibrated, weight * residual**2, 0.0).sum(axis=0)
    return _Line(fit, calibrated, dof, np.where(dof > 0, chi2 / np.maximum(dof, 1), np.nan))


def _lines_without_each(points: _Points) -> Iterator[_Line]:
    """The line through all points but one, for each in turn."""
    x, y, ux, uy, used = points.x, points.y, points.ux, points.uy, points.used
    whole = _solve(x, y, ux, uy, used)
    many = used.sum(axis=0).min() > FITTED_AGAIN_UP_TO
    steps = york_without_each(whole, x, y, ux, uy, used) if many else None
    for k in range(len(x)):
        others = used.copy()
        others[k] = False
        fit = (
            _solve(x, y, ux, uy, others)
            if steps is None
            else whole._replace(slope=steps[0][k], intercept=steps[1][k])
        )
        yield _judged(points._replace(used=others), fit)


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
    offset_uncertainty: float = 0.0,
) -> EmpiricalLine:
    """Empirical line of every band from its usable panels.

    Parameters
    ----------
    references : the panels, their certificates averaged over the bands
    signal, uncertainty : (panel, band) [count], mean signal at the panels' irradiance and its
        standard uncertainty
    usable : (panel, band), false where a panel leaves the band's fit (saturated); NaN leave it too
    certificates_correlated : the certificates' errors go wholly together from panel to panel
    offset_uncertainty : [1] least standard uncertainty of an offset that a band's one panel cannot
        show

    Returns
    -------
    EmpiricalLine, NaN where a band is not calibrated: no usable panel, a gain not above zero, or
    signals closer than `LEAST_SEPARATION` combined standard uncertainties (with one panel: to
    zero). One usable panel gives a gain alone; its offset is `carried_offset`'s.

    Notes
    -----
    Two or more panels: `york`, weighted as if all errors were independent. (Co)variances are
    J Sigma J^T, with the derivatives J of (gain, offset) at the values as measured, for the
    certificates and for the signals apart, which keeps what is systematic apart from what is
    random. For independent errors York's own formula is the same to first order in the residuals,
    and the same altogether for two panels. Totals are the sum of the two parts, times the reduced
    chi-square (Birge ratio squared) where that is beyond its 99 % point: until the data refute
    them the inputs' uncertainties stand. One panel: gain = (reflectance - offset) / signal, so that
    the offset's error goes into the gain with the opposite sign.
    """
    points = _points(references, signal, uncertainty, usable)
    found = _line_through(points)
    calibrated, fit = found.calibrated, found.fit
    used = points.used & calibrated
    x, y, ux, uy = points.x, points.y, points.ux, points.uy
    single = used.sum(axis=0) == 1
    carried, carried_u = carried_offset(
        fit.intercept, fit.var_intercept, calibrated & ~single, offset_uncertainty
    )
    carried, carried_u = np.where(single, carried, 0.0), np.where(single, carried_u, 0.0)
    fit = _with_offset(fit, x, y, used, carried)
    calibrated = calibrated & (np.nan_to_num(fit.slope) > 0)
    used = used & calibrated
    by_signal, by_reflectance = _derivatives(fit, x, y - carried, ux, uy, used)
    certificate = _propagate(by_reflectance, points.certificate_u, together=certificates_correlated)
    scatter = _propagate(by_signal, points.signal_u, together=False)
    gain, offset = (np.where(calibrated, v, np.nan) for v in (fit.slope, fit.intercept))
    birge = np.where(_refuted(found), np.sqrt(found.chi_square), 1.0)
    total = [(c + s) * birge**2 for c, s in zip(certificate, scatter, strict=True)]
    with np.errstate(divide="ignore", invalid="ignore"):
        by_offset = np.where(single, -1 / np.where(used, x, 0.0).sum(axis=0), 0.0)
    by_carried = ((by_offset * carried_u) ** 2, carried_u**2, by_offset * carried_u**2)
    total = [t + c for t, c in zip(total, by_carried, strict=True)]

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
        chi_square=where_calibrated(found.chi_square),
        birge=where_calibrated(birge),
        degrees_of_freedom=found.degrees_of_freedom,
        panels=tuple(reference.name for reference in references),
        used=used,
        residual=np.where(used, y - reflectance_from_signal(x, gain, offset), np.nan),
        # A gain alone is a line through zero: its span begins there.
        low=where_calibrated(
            np.where(used.sum(axis=0) == 1, 0.0, np.where(used, y, np.inf).min(axis=0))
        ),
        high=where_calibrated(np.where(used, y, -np.inf).max(axis=0)),
        calibrated=calibrated,
    )


def _with_offset(fit: YorkFit, x: Array, y: Array, used: Mask, offset: Array) -> YorkFit:
    """The gains of bands with one panel, taken from an offset other than zero."""
    single = used.sum(axis=0) == 1
    with np.errstate(divide="ignore", invalid="ignore"):
        alone = np.where(used, y - offset, 0.0).sum(axis=0) / np.where(used, x, 0.0).sum(axis=0)
    return fit._replace(
        slope=np.where(single, alone, fit.slope),
        intercept=np.where(single, offset, fit.intercept),
    )


def _refuted(line: _Line) -> Mask:
    """Bands whose scatter about the line its inputs' uncertainties do not explain."""
    point = reduced_chi_square_point(line.degrees_of_freedom)
    with np.errstate(invalid="ignore"):
        return np.asarray((line.degrees_of_freedom > 0) & (line.chi_square > point))


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
    points = _points(references, signal, uncertainty, usable)
    out = np.full(points.x.shape, np.nan)
    enough = points.used.sum(axis=0) >= 3
    for k, others in enumerate(_lines_without_each(points)):
        value = reflectance_from_signal(points.x[k], others.fit.slope, others.fit.intercept)
        known = enough & points.used[k] & others.calibrated
        out[k] = np.where(known, value - points.y[k], np.nan)
    return out


def without_each(
    references: Sequence[PanelReference], signal: Array, uncertainty: Array, usable: Mask
) -> Array:
    """Median reduced chi-square over bands of the line through all panels but one, (panel,).

    Parameters as for `fit_empirical_line`. NaN where fewer than three others are usable in any
    band. The panel left out with the least is the one that the others agree without.
    """
    points = _points(references, signal, uncertainty, usable)
    out = np.full(len(references), np.nan)
    for k, others in enumerate(_lines_without_each(points)):
        if np.isfinite(others.chi_square).any():
            out[k] = np.nanmedian(others.chi_square)
    return out
