"""Bit masks of samples and lines, once.

Names and bits are part of the file format (`flag_masks`, `flag_meanings`): append, never renumber.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntFlag

from pipeline.errors import ConfigError


class QualityFlag(IntFlag):
    """What is wrong with one sample of one band; stored as uint8."""

    SATURATED = 1
    LOW_SIGNAL = 2
    BAD_ELEMENT = 4
    OUTSIDE_PANEL_RANGE = 8
    NO_CALIBRATION = 16
    DARK_UNCERTAIN = 32


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
