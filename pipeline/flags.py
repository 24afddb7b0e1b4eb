"""Bit masks of samples and lines, once.

Names and bits are part of the file format (`flag_masks`, `flag_meanings`): append, never renumber.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntFlag

from pipeline.errors import ConfigError


class QualityFlag(IntFlag):
    """What is wrong with one sample of one band; stored as uint8."""

    SATURATED = 1  # the raw count is at saturation, or above
    LOW_SIGNAL = 2  # the signal is small against its own noise
    BAD_ELEMENT = 4  # the detector's element does not measure
    OUTSIDE_PANEL_RANGE = 8  # darker or brighter than the fit's panels
    NO_CALIBRATION = 16  # the band has no empirical line
    DARK_UNCERTAIN = 32  # the dark may have moved since its capture
    NO_DATA = 64  # the line was never written, or the count is no number
    BEYOND_PACKING = 128  # the reflectance or its uncertainty is too large for 16 bits


#: Samples with one of these have no value, whatever a config wants to be blank.
WITHOUT_VALUE = QualityFlag.NO_CALIBRATION | QualityFlag.NO_DATA


#: A line is `after_gap` when its step is longer than so many frame periods (common practice, no
#: source).
GAP_FRAME_PERIODS = 1.5


class LineFlag(IntFlag):
    """What is wrong with one line; stored as uint8."""

    AFTER_GAP = 1
    TIME_ESTIMATED = 2
    ILLUMINATION_EXTRAPOLATED = 4


def meanings(flags: type[IntFlag]) -> str:
    """Blank-separated names in order of their bits, as CF's `flag_meanings` wants them."""
    return " ".join(flag.name.lower() for flag in flags if flag.name)


def masks(flags: type[IntFlag]) -> list[int]:
    """The bits in the order of `meanings`."""
    return [int(flag) for flag in flags]


def quality_mask(names: Iterable[str]) -> int:
    """Bits of the named quality flags, ORed; an unknown name is a ConfigError."""
    mask = 0
    for name in names:
        try:
            mask |= QualityFlag[name.upper()]
        except KeyError:
            raise ConfigError(
                f"unknown flag {name!r}; known: {meanings(QualityFlag)}", where="quality.blank"
            ) from None
    return mask
