"""Where the values of a cube file's small variables come from, by their names in the schema."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.darks import CubeDark
from pipeline.calibrate.detector import Detector
from pipeline.flags import LineFlag
from pipeline.records import Capture, EmpiricalLine, Illumination, LineTimes

Values = dict[str, NDArray[Any]]


def line_variables(times: LineTimes, light: Illumination, dark: CubeDark) -> Values:
    """What each line has of its own, (line,)."""
    extrapolated = np.where(light.extrapolated, LineFlag.ILLUMINATION_EXTRAPOLATED, 0)
    values: Values = {
        "line_flag": np.asarray(times.flags | extrapolated.astype(np.uint8)),
        "irradiance_ratio": light.ratio,
        "irradiance_ratio_uncertainty": light.uncertainty,
        "dark_weight": dark.weight,
    }
    if np.isfinite(times.time_s).all():
        values["time"] = times.time_s
    return values


def band_variables(capture: Capture, fit: EmpiricalLine, bands: slice) -> Values:
    """What each band that is written has of its own, (wavelength,)."""
    values: Values = {
        "wavelength": capture.wavelength_nm,
        "fwhm": capture.fwhm_nm,
        "empirical_gain": fit.gain,
        "empirical_offset": fit.offset,
        "empirical_gain_uncertainty": np.sqrt(fit.gain_variance),
        "empirical_offset_uncertainty": np.sqrt(fit.offset_variance),
        "empirical_gain_offset_covariance": fit.covariance,
        "certificate_gain_variance": fit.certificate_gain_variance,
        "certificate_offset_variance": fit.certificate_offset_variance,
        "certificate_covariance": fit.certificate_covariance,
        "scatter_gain_variance": fit.scatter_gain_variance,
        "scatter_offset_variance": fit.scatter_offset_variance,
        "scatter_covariance": fit.scatter_covariance,
        "panel_reflectance_low": fit.low,
        "panel_reflectance_high": fit.high,
    }
    return {name: value[bands] for name, value in values.items()}


def element_variables(detector: Detector, dark: CubeDark, bands: slice) -> Values:
    """What each element of the bands that are written has of its own, (wavelength, sample)."""
    values: Values = {
        "dark_mean": dark.middle,
        "dark_mean_uncertainty": dark.uncertainty,
        "dark_change": dark.change,
        "dark_noise": detector.noise,
        "relative_response": detector.flat.response,
        "relative_response_uncertainty": detector.flat.uncertainty,
    }
    return {name: value[bands] for name, value in values.items()}
