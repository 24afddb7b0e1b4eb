"""Tables over wavelength averaged to the sensor's bands."""

from __future__ import annotations

import math

import numpy as np

from pipeline.errors import CalibrationError
from pipeline.radiometry.distributions import normal_below
from pipeline.records import Array, Mask, PanelReference

_FWHM_TO_SIGMA = 1.0 / (2.0 * math.sqrt(2.0 * math.log(2.0)))


def covered(wavelength_nm: Array, centre_nm: Array) -> Mask:
    """Bands whose centre lies within a table's range, ends included, (band,)."""
    wavelength_nm = np.asarray(wavelength_nm, dtype=np.float64)
    if not len(wavelength_nm):
        return np.zeros(np.shape(centre_nm), dtype=np.bool_)
    return np.asarray((centre_nm >= wavelength_nm[0]) & (centre_nm <= wavelength_nm[-1]))


def band_weights(wavelength_nm: Array, centre_nm: Array, fwhm_nm: Array) -> Array:
    """Weights of a table's rows in each band's Gaussian average.

    Parameters
    ----------
    wavelength_nm : (row,) strictly increasing
    centre_nm, fwhm_nm : (band,); a width of zero or NaN means the value at the centre

    Returns
    -------
    (band, row), each band's adding up to 1, so that weights @ values is the average of a table
    column; NaN where the centre lies outside the table, since tables are never extrapolated.

    Notes
    -----
    Exact for the piecewise linear function through the table's rows. Over one segment, with z the
    distance from the centre in sigmas, the integral of the Gaussian is the difference of the normal
    distribution function and its first moment the difference of minus the density. What lies
    beyond the table's ends is left out of integral and norm alike.
    """
    x = np.asarray(wavelength_nm, dtype=np.float64)
    centre = np.asarray(centre_nm, dtype=np.float64)
    sigma = np.broadcast_to(np.asarray(fwhm_nm, dtype=np.float64), centre.shape) * _FWHM_TO_SIGMA
    if x.ndim != 1 or not len(x) or not np.all(np.diff(x) > 0):
        raise CalibrationError("expected wavelengths in strictly increasing order")
    out = np.full((len(centre), len(x)), np.nan)
    inside = covered(x, centre)
    broad = inside & (np.nan_to_num(sigma) > 0) & (len(x) > 1)
    for band in np.flatnonzero(inside & ~broad):
        out[band] = [np.interp(centre[band], x, row) for row in np.eye(len(x))]
    if broad.any():
        c, s = centre[broad, None], sigma[broad, None]
        z = (x - c) / s
        # Mirrored above the centre: differences of small tails keep their digits.
        above = z[:, :-1] > 0
        mass = np.where(
            above,
            normal_below(-z[:, :-1]) - normal_below(-z[:, 1:]),
            normal_below(z[:, 1:]) - normal_below(z[:, :-1]),
        )
        density = np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
        moment = -s * (density[:, 1:] - density[:, :-1])  # of (x - centre)
        step = np.diff(x)
        upper = (mass * (c - x[:-1]) + moment) / step  # weight of a segment's upper end
        weights = np.zeros((int(broad.sum()), len(x)))
        weights[:, 1:] += upper
        weights[:, :-1] += mass - upper
        total = weights.sum(axis=1, keepdims=True)
        # A band far narrower than the table's step at its very end has no mass to speak of.
        out[broad] = weights / total
    return out


def reference_for_bands(
    *,
    name: str,
    use: str,
    wavelength_nm: Array,
    reflectance: Array,
    expanded_uncertainty: Array,
    coverage_factor: float,
    centre_nm: Array,
    fwhm_nm: Array,
) -> PanelReference:
    """A panel's certificate averaged over the bands.

    Parameters
    ----------
    use : "fit" or "check"
    wavelength_nm, reflectance, expanded_uncertainty : (row,)
    coverage_factor : k of the expanded uncertainty, above zero
    centre_nm, fwhm_nm : (band,)

    Returns
    -------
    PanelReference with standard uncertainties. A certificate's errors are taken as fully
    correlated over wavelength, so that they average linearly and do not shrink.
    """
    if not coverage_factor > 0:
        raise CalibrationError(f"expected a coverage factor above 0, got {coverage_factor:g}")
    weights = band_weights(wavelength_nm, centre_nm, fwhm_nm)
    value = weights @ np.asarray(reflectance, dtype=np.float64)
    expanded = weights @ np.asarray(expanded_uncertainty, dtype=np.float64)
    return PanelReference(
        name=name,
        use="check" if use == "check" else "fit",
        reflectance=value,
        uncertainty=expanded / coverage_factor,
        covered=np.isfinite(value),
    )
