"""Where the O2-A dip lies: the wavelength scale and its smile, from the sun's own spectrum."""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry import g173
from pipeline.radiometry.limits import O2A_WIDEST_FWHM_NM
from pipeline.records import Array

#: The dip, and the window with the continuum on both sides of it [nm].
DIP_NM = (756.0, 774.0)
WINDOW_NM = (738.0, 788.0)
#: Shifts searched [nm], and the step of the search.
_SEARCH_NM, _STEP_NM = 8.0, 0.1
#: Depth over its standard error below which there is no dip.
_DEPTH_ERRORS = 6.0
_SIGMA_A_FWHM = 1 / (2 * math.sqrt(2 * math.log(2)))


@functools.cache
def _absorptance() -> tuple[Array, Array]:
    """One less the transmission of the O2-A band, on a 0.1 nm grid [nm, 1].

    From the global spectrum of ASTM G173-03 (1 nm steps, linear between them) over a straight
    line through the medians of 748 to 756 nm and 774 to 782 nm; zero outside the dip.
    """
    nm, light = g173.WAVELENGTH_NM, g173.GLOBAL

    def level(low: float, high: float) -> float:
        return float(np.median(light[(nm >= low) & (nm <= high)]))

    grid = np.linspace(*DIP_NM, round((DIP_NM[1] - DIP_NM[0]) / 0.1) + 1)
    line = np.interp(grid, (752.0, 778.0), (level(748, 756), level(774, 782)))
    dip = 1 - np.interp(grid, nm, light) / line
    dip[(grid < 758.0) | (grid > 772.0)] = 0.0
    return grid, np.maximum(dip, 0.0)


def _dips(centre_nm: Array, fwhm_nm: Array, shifts_nm: Array) -> Array:
    """Band-averaged absorptance, (shift, band), of bands that truly lie at centre + shift."""
    grid, dip = _absorptance()
    step = grid[1] - grid[0]
    sigma = fwhm_nm * _SIGMA_A_FWHM
    away = (grid - (centre_nm[:, None] + shifts_nm[:, None, None])) / sigma[:, None]
    return np.asarray(
        np.exp(-0.5 * away**2) @ dip * step / (sigma * math.sqrt(2 * math.pi)), np.float64
    )


def o2a_shift(
    wavelength_nm: ArrayLike, fwhm_nm: ArrayLike, signal: ArrayLike
) -> tuple[Array, Array]:
    """Shift of the wavelength scale that best fits the O2-A dip near 760.5 nm.

    Parameters
    ----------
    wavelength_nm : (band,) [nm] centres as the header says, increasing
    fwhm_nm : (band,) or one number [nm]
    signal : (band,) or (band, sample), of any linear unit: dark-subtracted counts of panel or
        scene under the sun. Not reflectance, in which the dip has cancelled.

    Returns
    -------
    shift_nm, standard_error_nm : (), or (sample,) for (band, sample) [nm]. Positive when the bands
        truly lie at longer wavelengths than the header says. NaN where bands are wider than 12 nm
        or farther apart, where 742 to 784 nm is not covered, where a band of the window is NaN,
        where the continuum is not positive, and where the dip does not stand out from noise.

    Notes
    -----
    The signal over its continuum (a polynomial through the bands beside the dip) is fitted with a
    parabola less depth x absorptance, the latter from ASTM G173-03 averaged over each band's
    Gaussian response, for shifts on a grid of 0.1 nm; a parabola through the least sum of squares
    and its neighbours gives the shift, its curvature and the residual scatter the standard error.
    An accuracy of 0.05 of a band step is published for such a fit (doi 10.3390/rs8121017).
    """
    centre = np.asarray(wavelength_nm, np.float64)
    width = np.broadcast_to(np.asarray(fwhm_nm, np.float64), centre.shape)
    levels = np.asarray(signal, np.float64)
    shape = levels.shape[1:]
    levels = levels.reshape(centre.size, -1)
    shift = np.full(levels.shape[1], math.nan)
    error = shift.copy()
    inside = (centre >= WINDOW_NM[0]) & (centre <= WINDOW_NM[1]) & np.isfinite(width)
    inside &= np.isfinite(levels).any(axis=1)
    if _usable(centre[inside], width[inside]):
        good = np.isfinite(levels[inside]).all(axis=0)
        shift[good], error[good] = _fit(centre[inside], width[inside], levels[inside][:, good])
    return shift.reshape(shape), error.reshape(shape)


def smile(
    wavelength_nm: ArrayLike, fwhm_nm: ArrayLike, signal: ArrayLike, groups: int = 16
) -> tuple[Array, Array]:
    """O2-A shift of groups of neighbouring samples.

    `signal` is (band, sample); samples are averaged in `groups` groups of nearly equal size (as
    many as there are samples, if fewer), NaN passed over. Returns shift and standard error,
    (group,) [nm], as `o2a_shift` gives them.
    """
    levels = np.asarray(signal, np.float64)
    parts = np.array_split(levels, max(1, min(groups, levels.shape[1])), axis=1)
    means = []
    for part in parts:
        count = np.isfinite(part).sum(axis=1)
        total = np.nansum(part, axis=1)
        means.append(np.divide(total, count, out=np.full(count.shape, math.nan), where=count > 0))
    return o2a_shift(wavelength_nm, fwhm_nm, np.stack(means, axis=1))


def smile_range(shift_nm: ArrayLike, standard_error_nm: ArrayLike) -> tuple[float, float]:
    """Range of the O2-A shift across the samples, and its standard error [nm].

    `shift_nm` and its error are (group,), as `smile` gives them. NaN with fewer than four groups
    that tell. Optics bend a line smoothly, so the range is that of a parabola across the groups,
    out to their outer edges, weighted by their errors: the range of noise alone would grow with
    the number of groups.
    """
    shift = np.atleast_1d(np.asarray(shift_nm, np.float64))
    error = np.broadcast_to(np.asarray(standard_error_nm, np.float64), shift.shape)
    good = np.isfinite(shift) & np.isfinite(error)
    if good.sum() < 4:
        return math.nan, math.nan
    position = (np.arange(shift.size) + 0.5) / shift.size * 2 - 1
    floor = max(float(np.median(error[good])) / 10, 1e-9)
    weight = 1 / np.maximum(error[good], floor)
    design = np.vander(position[good], 3)
    solve = np.linalg.pinv(design * weight[:, None]) * weight
    terms = solve @ shift[good]
    freedom = int(good.sum()) - 3
    spread = ((shift[good] - design @ terms) * weight) @ ((shift[good] - design @ terms) * weight)
    enlarged = max(1.0, float(spread) / freedom)
    edge = 1 / shift.size
    across = np.vander(np.linspace(position[good][0] - edge, position[good][-1] + edge, 65), 3)
    curve = across @ terms
    ends = across[int(curve.argmax())] - across[int(curve.argmin())]
    of_terms = (solve * np.maximum(error[good], floor) ** 2) @ solve.T * enlarged
    return float(np.ptp(curve)), math.sqrt(max(float(ends @ of_terms @ ends), 0.0))


def _usable(centre: Array, width: Array) -> bool:
    return bool(
        centre.size >= 7
        and centre[0] <= 742.0 + O2A_WIDEST_FWHM_NM / 2
        and centre[-1] >= 784.0 - O2A_WIDEST_FWHM_NM / 2
        and np.diff(centre).max() <= O2A_WIDEST_FWHM_NM
        and 0 < width.min() <= width.max() <= O2A_WIDEST_FWHM_NM
    )


def _fit(centre: Array, width: Array, levels: Array) -> tuple[Array, Array]:
    """Shift and standard error of (band, spectrum) levels, all finite."""
    spectra = levels.shape[1]
    nothing = np.full(spectra, math.nan)
    x = (centre - 763.0) / 25.0
    beside = (centre < 756.5 - 0.3 * width) | (centre > 771.0 + 0.3 * width)
    # A cubic follows the shoulder of a red edge; few bands cannot carry one.
    order = 3 if beside.sum() >= 10 else 2
    if beside.sum() < order + 2:
        return nothing, nothing.copy()
    terms = np.linalg.lstsq(np.vander(x[beside], order + 1), levels[beside], rcond=None)[0]
    continuum = np.vander(x, order + 1) @ terms
    positive = (continuum > 0).all(axis=0)
    y = np.divide(levels, continuum, out=np.ones_like(levels), where=positive)
    shifts = np.arange(-_SEARCH_NM, _SEARCH_NM + _STEP_NM / 2, _STEP_NM)
    dips = _dips(centre, width, shifts)
    smooth = np.vander(x, order + 1)
    squares = np.empty((shifts.size, spectra))
    depth = np.empty_like(squares)
    depth_error = np.empty(shifts.size)
    for i, dip in enumerate(dips):
        design = np.column_stack([-dip, smooth])
        solve = np.linalg.pinv(design)
        fitted = solve @ y
        squares[i] = ((y - design @ fitted) ** 2).sum(axis=0)
        depth[i], depth_error[i] = fitted[0], math.sqrt(float((solve[0] ** 2).sum()))
    squares[depth <= 0] = math.inf
    best = squares.argmin(axis=0)
    every = np.arange(spectra)
    inner = positive & (best > 0) & (best < shifts.size - 1)
    at = np.clip(best, 1, shifts.size - 2)
    low, mid, high = (squares[at + k, every] for k in (-1, 0, 1))
    inner &= np.isfinite(low) & np.isfinite(high)
    low, mid, high = (np.where(inner, one, fill) for one, fill in ((low, 1), (mid, 0), (high, 1)))
    bend = low - 2 * mid + high
    inner &= bend > 0
    bend = np.where(inner, bend, 1.0)
    moved = 0.5 * (low - high) / bend
    least = np.maximum(mid - 0.125 * (low - high) ** 2 / bend, 0.0)
    variance = least / max(centre.size - smooth.shape[1] - 2, 1)
    inner &= depth[at, every] > _DEPTH_ERRORS * depth_error[at] * np.sqrt(variance)
    shift = np.where(inner, shifts[at] + _STEP_NM * moved, math.nan)
    error = np.where(inner, np.sqrt(2 * variance * _STEP_NM**2 / bend), math.nan)
    return shift, error
