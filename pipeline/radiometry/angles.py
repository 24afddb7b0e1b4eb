"""Angles that turn through 360 degrees: longitudes, headings."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from pipeline.records import Array


def wrapped(degrees: ArrayLike) -> Array:
    """Angles [degree] brought to -180 (included) to 180; NaN stays."""
    return np.asarray(np.mod(np.asarray(degrees, np.float64) + 180.0, 360.0) - 180.0)


def near(degrees: ArrayLike, reference: float) -> Array:
    """Angles [degree] as numbers within half a turn of a reference, any shape.

    So that longitudes on both sides of the 180th meridian are neighbours on a plane. Unchanged to
    the last bit where nothing must be moved; NaN stays.
    """
    angles = np.asarray(degrees, np.float64)
    return np.asarray(angles - 360.0 * np.round((angles - reference) / 360.0))


def circular_mean(degrees: ArrayLike) -> float:
    """Mean direction of angles, -180 to 180 [degree]; NaN are passed over, NaN where none is known.

    Angles about 180 have their mean there and not at 0.
    """
    angles = np.radians(np.asarray(degrees, np.float64))
    angles = angles[np.isfinite(angles)]
    if not angles.size:
        return math.nan
    return math.degrees(math.atan2(float(np.sin(angles).mean()), float(np.cos(angles).mean())))


def span(degrees: ArrayLike) -> tuple[float, float]:
    """First and last of angles that lie within half a turn of their mean, -180 to 180 [degree].

    Of longitudes the western and the eastern end; the first is the larger where they cross 180.
    NaN are passed over; two NaN where none is known.
    """
    angles = np.asarray(degrees, np.float64).reshape(-1)
    least, most = (float(one.reduce(angles, initial=math.nan)) for one in (np.fmin, np.fmax))
    if math.isnan(least) or (least >= -180.0 and most <= 180.0 and most - least < 180.0):
        # The values themselves, to their last digit: their mean lies between them.
        return least, most
    mean = circular_mean(angles)
    off = wrapped(angles - mean)
    ends = np.nanmin(off), np.nanmax(off)
    return float(wrapped(mean + ends[0])), float(wrapped(mean + ends[1]))
