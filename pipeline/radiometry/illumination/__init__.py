"""Irradiance at each line's time over irradiance at the panels' time."""

from pipeline.radiometry.illumination.clear_sky import clear_sky, constant_under_sun
from pipeline.radiometry.illumination.curve import (
    LightCurve,
    constant,
    illumination_at,
    seconds_unobserved,
    with_more,
)
from pipeline.radiometry.illumination.log import LONG_GAP_STEPS, curve_from_log, from_log
from pipeline.radiometry.illumination.passes import (
    Passes,
    curve_from_passes,
    passes_of,
    require_repeated,
)

__all__ = [
    "LONG_GAP_STEPS",
    "LightCurve",
    "Passes",
    "clear_sky",
    "constant",
    "constant_under_sun",
    "curve_from_log",
    "curve_from_passes",
    "from_log",
    "illumination_at",
    "passes_of",
    "require_repeated",
    "seconds_unobserved",
    "with_more",
]
