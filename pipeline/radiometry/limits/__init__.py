"""Where caution and fail begin: every check's limits with unit and source, once.

A section of checks a file. The config moves a limit by the check's name (`with_overrides`). The
config imports this as a program starts, so it imports nothing heavy.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from pipeline.radiometry.limits.conditions import (
    ABOVE_ONE_REFLECTANCE,
    AGREEMENT_ERRORS,
    CHECK_PANEL_RELATIVE,
    CLOCK_GPS_S,
    CLOCK_HOURS,
    CONSISTENCY_POINT,
    CONSISTENCY_SIGMAS,
    DRIFT_ERRORS,
    EXPOSURE_ALIKE,
    FALLOFF_ERRORS,
    FALLOFF_TOLD,
    ILLUMINATION_STEP_PER_S,
    LEAK_ERRORS,
    LOW_SIGNAL_SNR,
    NEGATIVE_UNCERTAINTIES,
    O2A_SHAPE_NM,
    O2A_WIDEST_FWHM_NM,
    ORDER_RELATIVE,
    PANEL_AGE_COSINE,
    PILE_TIMES,
    SAMPLES_APART,
    SETTING_ALIKE,
    SHIFT_ERRORS,
    STEADINESS_ERRORS,
    STEEP_CHANGE,
    STEEP_NM,
    STEP_ERRORS,
    STRIPING_ERRORS,
    UNUSABLE_SNR,
    WAVELENGTH_ALIKE_NM,
)
from pipeline.radiometry.limits.dark import DARK
from pipeline.radiometry.limits.exposure import EXPOSURE
from pipeline.radiometry.limits.fit import FIT
from pipeline.radiometry.limits.light import LIGHT
from pipeline.radiometry.limits.offload import OFFLOAD
from pipeline.radiometry.limits.result import RESULT
from pipeline.radiometry.limits.table import CheckLimits, Kind, Limit, verdict, with_overrides

#: The checks by what they look at.
SECTIONS: Final[Mapping[str, tuple[CheckLimits, ...]]] = MappingProxyType(
    {
        "The offload": OFFLOAD,
        "The dark and the detector": DARK,
        "Exposure": EXPOSURE,
        "Panels and fit": FIT,
        "Light and flight": LIGHT,
        "Spectrum and result": RESULT,
    }
)
#: Every check by name, in the order a report shows them.
LIMITS: Final[Mapping[str, CheckLimits]] = MappingProxyType(
    {row.name: row for rows in SECTIONS.values() for row in rows}
)

__all__ = [
    "ABOVE_ONE_REFLECTANCE",
    "AGREEMENT_ERRORS",
    "CHECK_PANEL_RELATIVE",
    "CLOCK_GPS_S",
    "CLOCK_HOURS",
    "CONSISTENCY_POINT",
    "CONSISTENCY_SIGMAS",
    "DRIFT_ERRORS",
    "EXPOSURE_ALIKE",
    "FALLOFF_ERRORS",
    "FALLOFF_TOLD",
    "ILLUMINATION_STEP_PER_S",
    "LEAK_ERRORS",
    "LIMITS",
    "LOW_SIGNAL_SNR",
    "NEGATIVE_UNCERTAINTIES",
    "O2A_SHAPE_NM",
    "O2A_WIDEST_FWHM_NM",
    "ORDER_RELATIVE",
    "PANEL_AGE_COSINE",
    "PILE_TIMES",
    "SAMPLES_APART",
    "SECTIONS",
    "SETTING_ALIKE",
    "SHIFT_ERRORS",
    "STEADINESS_ERRORS",
    "STEEP_CHANGE",
    "STEEP_NM",
    "STEP_ERRORS",
    "STRIPING_ERRORS",
    "UNUSABLE_SNR",
    "WAVELENGTH_ALIKE_NM",
    "CheckLimits",
    "Kind",
    "Limit",
    "verdict",
    "with_overrides",
]
