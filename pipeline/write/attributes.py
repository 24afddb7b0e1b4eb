"""Names and attributes of the cube files (CF-1.11, ACDD-1.3), once.

Both writers take variables and global attributes from here, so that a netCDF and a Zarr cube differ
in nothing but their container.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping

import numpy as np

from pipeline import flags
from pipeline.errors import ConfigError
from pipeline.radiometry.packing import (
    REFLECTANCE_FILL,
    REFLECTANCE_STEP,
    UNCERTAINTY_FILL,
    UNCERTAINTY_STEP,
)

CONVENTIONS = "CF-1.11, ACDD-1.3"
#: The table in which the checker of these conventions finds the standard names below.
STANDARD_NAMES = "CF Standard Name Table v93"
DIMENSIONS = ("wavelength", "line", "sample")
TIME_UNITS = "seconds since 1970-01-01T00:00:00Z"

#: Global attributes that only the program may set.
RESERVED = frozenset(
    {"Conventions", "run_id", "history", "date_created", "config", "config_sha256", "inputs"}
    | {"flight", "cube", "blank_flags", "product_version", "standard_name_vocabulary"}
)

Attributes = dict[str, object]


def require_free(names: Iterable[str], where: str) -> None:
    """ConfigError when a config gives a global attribute that only the program may set."""
    for name in names:
        if name in RESERVED:
            raise ConfigError("only the program may set this attribute", where=f"{where}.{name}")


def _auxiliary(long_name: str, units: str) -> Attributes:
    return {
        "long_name": long_name,
        "units": units,
        "coverage_content_type": "auxiliaryInformation",
    }


#: Attributes of every variable a cube file may have.
VARIABLES: Mapping[str, Attributes] = {
    "reflectance": {
        "standard_name": "surface_bidirectional_reflectance",
        "coverage_content_type": "physicalMeasurement",
        "long_name": "hemispherical-conical reflectance factor",
        "units": "1",
        "scale_factor": np.float32(REFLECTANCE_STEP),
        "add_offset": np.float32(0),
        "ancillary_variables": "reflectance_uncertainty quality_flag",
        "comment": "Relative to reference panels under the same sky. Not clipped: noise has a "
        "sign. Blank where quality_flag has a bit of the attribute blank_flags.",
        "references": "Schaepman-Strub et al. 2006, doi 10.1016/j.rse.2006.03.002",
    },
    "reflectance_uncertainty": {
        "standard_name": "surface_bidirectional_reflectance standard_error",
        "coverage_content_type": "qualityInformation",
        "long_name": "combined standard uncertainty of the reflectance factor (k = 1)",
        "units": "1",
        "scale_factor": np.float32(UNCERTAINTY_STEP),
        "add_offset": np.float32(0),
        "comment": "Rounded to two significant digits; 0.65 stands for 0.65 or more. "
        "By the law of propagation, JCGM 100:2008.",
    },
    "quality_flag": {
        "standard_name": "quality_flag",
        "coverage_content_type": "qualityInformation",
        "long_name": "quality of each sample",
        "flag_masks": np.array(flags.masks(flags.QualityFlag), np.uint8),
        "flag_meanings": flags.meanings(flags.QualityFlag),
    },
    "line_flag": {
        "standard_name": "quality_flag",
        "coverage_content_type": "qualityInformation",
        "long_name": "quality of each line",
        "flag_masks": np.array(flags.masks(flags.LineFlag), np.uint8),
        "flag_meanings": flags.meanings(flags.LineFlag),
    },
    "wavelength": {
        "standard_name": "radiation_wavelength",
        "coverage_content_type": "coordinate",
        "long_name": "band centre",
        "units": "nm",
    },
    "fwhm": _auxiliary("full width at half maximum of the band's response", "nm"),
    "time": {
        "standard_name": "time",
        "coverage_content_type": "coordinate",
        "long_name": "time of the line",
        "units": TIME_UNITS,
        "calendar": "standard",
        # UTC as POSIX counts it: no leap second is part of the count.
        "units_metadata": "leap_seconds: none",
    },
    "irradiance_ratio": _auxiliary(
        "irradiance at the line's time over irradiance at the panels' time", "1"
    ),
    "irradiance_ratio_uncertainty": _auxiliary(
        "standard uncertainty of irradiance_ratio (k = 1)", "1"
    ),
    "latitude": {
        "standard_name": "latitude",
        "coverage_content_type": "coordinate",
        "long_name": "latitude of the sample on flat ground",
        "units": "degrees_north",
    },
    "longitude": {
        "standard_name": "longitude",
        "coverage_content_type": "coordinate",
        "long_name": "longitude of the sample on flat ground",
        "units": "degrees_east",
    },
    "empirical_gain": _auxiliary(
        "gain of the empirical line: reflectance = offset + gain x signal / irradiance_ratio",
        "count-1",
    ),
    "empirical_offset": _auxiliary("offset of the empirical line", "1"),
    "empirical_gain_uncertainty": _auxiliary("standard uncertainty of empirical_gain", "count-1"),
    "empirical_offset_uncertainty": _auxiliary("standard uncertainty of empirical_offset", "1"),
    "empirical_gain_offset_covariance": _auxiliary(
        "covariance of empirical_gain and empirical_offset", "count-1"
    ),
    "certificate_gain_variance": _auxiliary(
        "part of the variance of empirical_gain from the certificates", "count-2"
    ),
    "certificate_offset_variance": _auxiliary(
        "part of the variance of empirical_offset from the certificates", "1"
    ),
    "certificate_covariance": _auxiliary(
        "part of empirical_gain_offset_covariance from the certificates", "count-1"
    ),
    "scatter_gain_variance": _auxiliary(
        "part of the variance of empirical_gain from the panels' signals", "count-2"
    ),
    "scatter_offset_variance": _auxiliary(
        "part of the variance of empirical_offset from the panels' signals", "1"
    ),
    "scatter_covariance": _auxiliary(
        "part of empirical_gain_offset_covariance from the panels' signals", "count-1"
    ),
    "panel_reflectance_low": _auxiliary("smallest reflectance among the fit's panels", "1"),
    "panel_reflectance_high": _auxiliary("largest reflectance among the fit's panels", "1"),
    "dark_mean": _auxiliary("mean dark signal at the middle of the cube", "count"),
    "dark_mean_uncertainty": _auxiliary("standard uncertainty of dark_mean (k = 1)", "count"),
    "dark_change": _auxiliary(
        "change of the mean dark signal between the captures before and after", "count"
    ),
    "dark_weight": _auxiliary("dark signal of a line = dark_mean + dark_weight x dark_change", "1"),
    "dark_noise": _auxiliary("temporal standard deviation of the dark signal", "count"),
    "relative_response": _auxiliary(
        "response of the element over the mean of its band (flat)", "1"
    ),
    "relative_response_uncertainty": _auxiliary(
        "standard uncertainty of relative_response (k = 1)", "1"
    ),
    "electrons_per_count": _auxiliary("overall system gain", "count-1"),
}

#: Fill value of each packed or possibly missing variable; masks have none.
FILLS: Mapping[str, object] = {
    "reflectance": np.int16(REFLECTANCE_FILL),
    "reflectance_uncertainty": np.uint16(UNCERTAINTY_FILL),
}


def iso_time(seconds: float) -> str:
    """Seconds since 1970 as ISO 8601 in UTC, to the millisecond."""
    moment = dt.datetime.fromtimestamp(seconds, dt.UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def now_utc() -> str:
    """The present time as ISO 8601 in UTC, to the second."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
