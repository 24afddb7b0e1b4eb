"""Light on the ground: the ASTM G173-03 global tilted spectrum, and averages over bands."""

from __future__ import annotations

import functools
import math

import numpy as np

from pipeline.records import Array

#: Step of the quadrature grid [nm]; one fiftieth of the narrowest band width in use.
STEP_NM = 0.1


def wavelength_grid(start_nm: float = 320.0, stop_nm: float = 1100.0) -> Array:
    """Quadrature grid (point,) [nm], both ends included."""
    steps = np.arange(round((stop_nm - start_nm) / STEP_NM) + 1, dtype=np.float64)
    return start_nm + STEP_NM * steps


@functools.cache
def reference_table() -> tuple[Array, Array]:
    """ASTM G173-03 global spectrum on a surface tilted by 37 degrees.

    Returns
    -------
    wavelength (point,) [nm] and irradiance (point,) [W m-2 nm-1], as pvlib ships the table.
    """
    from pvlib.spectrum import get_reference_spectra  # slow to import, needed only here

    spectrum = get_reference_spectra(standard="ASTM G173-03")["global"]
    return (
        np.asarray(spectrum.index, dtype=np.float64),
        np.asarray(spectrum.to_numpy(), dtype=np.float64),
    )


def irradiance(wavelength_nm: Array) -> Array:
    """Global tilted irradiance (point,) [W m-2 nm-1], linear between the table's points."""
    return np.interp(wavelength_nm, *reference_table())


def gaussian_weights(grid_nm: Array, centre_nm: Array, fwhm_nm: Array) -> Array:
    """Gaussian band responses, each summing to one.

    Parameters
    ----------
    grid_nm : (point,) [nm], evenly spaced
    centre_nm, fwhm_nm : (band,) [nm], widths above zero

    Returns
    -------
    (band, point) [1]
    """
    sigma = np.asarray(fwhm_nm)[:, None] / (2.0 * math.sqrt(2.0 * math.log(2.0)))
    weights = np.exp(-0.5 * ((grid_nm[None, :] - np.asarray(centre_nm)[:, None]) / sigma) ** 2)
    return np.asarray(weights / weights.sum(axis=1, keepdims=True), dtype=np.float64)


def band_means(values: Array, grid_nm: Array, centre_nm: Array, fwhm_nm: Array) -> Array:
    """Averages of spectra over Gaussian bands.

    Parameters
    ----------
    values : (..., point), on `grid_nm`; NaN makes every band NaN
    grid_nm : (point,) [nm], evenly spaced, several widths past the outermost centres
    centre_nm, fwhm_nm : (band,) [nm]

    Returns
    -------
    (..., band), in the unit of `values`
    """
    return np.asarray(values @ gaussian_weights(grid_nm, centre_nm, fwhm_nm).T)
