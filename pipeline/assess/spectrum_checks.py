"""The checks of the wavelengths, wired to the scene's mean spectrum."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.calibrate.measure import Measured
from pipeline.radiometry import spectrum
from pipeline.radiometry.checks import spectrum as spectral
from pipeline.radiometry.checks.row import Limits
from pipeline.records import Array, Capture, Check

_SMILE_GROUPS = 16


class Dips(NamedTuple):
    """Where the O2-A dip lies in the mean of all thin lines."""

    shift_nm: float  # NaN where it is not found, as in the others
    error_nm: float
    groups_nm: Array  # (group,) across the samples
    group_errors_nm: Array


def dips_of(capture: Capture, measured: Measured) -> Dips:
    """The O2-A dip in N - D: a response measured under the same light holds the same dips and
    divides them out."""
    detector = measured.detector
    mean = np.mean([s.mean for s in measured.scenes], axis=0) * detector.flat.response
    mean = np.where(detector.bad.any, np.nan, mean)
    with np.errstate(invalid="ignore"):
        whole = np.nanmean(mean, axis=1) if np.isfinite(mean).any(axis=1).all() else mean[:, 0]
    shift, error = spectrum.o2a_shift(capture.wavelength_nm, capture.fwhm_nm, whole)
    groups, group_errors = spectrum.smile(
        capture.wavelength_nm, capture.fwhm_nm, mean, min(_SMILE_GROUPS, capture.samples)
    )
    return Dips(float(shift), float(error), groups, group_errors)


def spectrum_rows(capture: Capture, dips: Dips, limits: Limits) -> list[Check]:
    """The O2-A checks."""
    at = int(np.argmin(np.abs(capture.wavelength_nm - 760.5)))
    fwhm_nm = float(capture.fwhm_nm[at])
    return [
        spectral.wavelength_shift(dips.shift_nm, dips.error_nm, fwhm_nm, limits=limits),
        spectral.smile(dips.groups_nm, dips.group_errors_nm, fwhm_nm, limits=limits),
    ]
