"""The checks of the wavelengths, wired to the scene's mean spectrum."""

from __future__ import annotations

import numpy as np

from pipeline.calibrate.measure import Measured
from pipeline.radiometry import spectrum
from pipeline.radiometry.checks import spectrum as spectral
from pipeline.radiometry.checks.row import Limits
from pipeline.records import Capture, Check

_SMILE_GROUPS = 16


def spectrum_rows(capture: Capture, measured: Measured, limits: Limits) -> list[Check]:
    """The O2-A checks, on the mean of all thin lines.

    In N - D: a response measured under the same light holds the same dips and divides them out.
    """
    detector = measured.detector
    mean = np.mean([s.mean for s in measured.scenes], axis=0) * detector.flat.response
    mean = np.where(detector.bad.any, np.nan, mean)
    with np.errstate(invalid="ignore"):
        whole = np.nanmean(mean, axis=1) if np.isfinite(mean).any(axis=1).all() else mean[:, 0]
    shift, error = spectrum.o2a_shift(capture.wavelength_nm, capture.fwhm_nm, whole)
    groups, group_errors = spectrum.smile(
        capture.wavelength_nm, capture.fwhm_nm, mean, min(_SMILE_GROUPS, capture.samples)
    )
    at = int(np.argmin(np.abs(capture.wavelength_nm - 760.5)))
    fwhm_nm = float(capture.fwhm_nm[at])
    return [
        spectral.wavelength_shift(float(shift), float(error), fwhm_nm, limits=limits),
        spectral.smile(groups, group_errors, fwhm_nm, limits=limits),
    ]
