"""Values that cannot be: a unit or a datum, and no fault of the flying."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry.angles import wrapped
from pipeline.radiometry.checks.row import Limits, finite, listed, many, not_checked, row
from pipeline.radiometry.limits import LIMITS
from pipeline.records import Check

#: Periods that differ by more than this, relative, are not of one unit (own: a step that is
#: dropped now and then moves no median).
PERIODS_ALIKE = 0.2
#: Swath over the widest spacing of the strips from which no such flight is flown: strips that
#: overlap by three quarters (own arithmetic).
SWATH_OVER_SPACING = 4.0
#: Ground step over sample width above which the lines gainsay that a height is far too large.
STEP_AGREES = 0.5
#: No survey is flown lower than this [m] (common practice, no source): where the lines say so, it
#: is not the height that is wrong.
LOWEST_M = 5.0
#: Strips nearer than this may be one, flown twice: a receiver's error without corrections [m].
SAME_STRIP_M = 2.0
#: Angles within this throughout are radians: a little more than half a turn.
RADIANS_MOST = 3.2
#: Degrees from the polygons beyond which a track is elsewhere, and within which it is there.
ELSEWHERE_DEG, THERE_DEG = 1.0, 0.1

#: Milliseconds of a number in each unit that a header may give a time span.
_UNITS: dict[str, Callable[[float], float]] = {
    "ms": lambda value: value,
    "us": lambda value: value / 1e3,
    "s": lambda value: value * 1e3,
    "Hz": lambda value: 1e3 / value,
}


@dataclass(frozen=True)
class Misfit:
    """Two values that contradict each other, and the line of config that would mend it."""

    says: str  # a clause without its full stop
    do: str


def period_misfit(stated_ms: float, step_ms: float, *, key: str, unit: str) -> Misfit | None:
    """A header's frame period against the line times.

    Parameters
    ----------
    stated_ms : [ms] as the header was read; NaN or not positive tells nothing, like the next
    step_ms : [ms] the median step of the line times
    key, unit : of the header, and the unit its number was read in, one of ms, us, s, Hz
    """
    if not (stated_ms > 0 and step_ms > 0) or _alike(stated_ms, step_ms):
        return None
    says = f"the headers' frame period is {stated_ms:.4g} ms, the lines are {step_ms:.4g} ms apart"
    number = 1e3 / stated_ms if unit == "Hz" else stated_ms / _UNITS[unit](1.0)
    better = next((u for u, to_ms in _UNITS.items() if _alike(to_ms(number), step_ms)), None)
    if better is None:
        return Misfit(says, "Look which of the two is right, and correct its unit")
    return Misfit(
        f"{says}: its number is in {better}",
        f'Say sensor.header_keys."frame period" = {{ key = "{key}", unit = "{better}" }}',
    )


def exposure_misfit(exposure_ms: float, period_ms: float, *, key: str, unit: str) -> Misfit | None:
    """An exposure that is longer than the time from line to line; [ms] both, as `period_misfit`."""
    if not (exposure_ms > 0 and period_ms > 0) or exposure_ms <= period_ms * (1 + PERIODS_ALIKE):
        return None
    says = f"the exposure of {exposure_ms:.4g} ms is longer than the {period_ms:.4g} ms of a line"
    number = exposure_ms / _UNITS[unit](1.0)
    # The longest that fits: a number in us is a thousandth of one in ms.
    fitting = {u: _UNITS[u](number) for u in ("ms", "us") if _UNITS[u](number) <= period_ms}
    if not fitting:
        return Misfit(says, "Look which of the two is right, and correct its unit")
    better = max(fitting, key=lambda u: fitting[u])
    return Misfit(
        f"{says}: its number is in {better}",
        f'Say sensor.header_keys."exposure time" = {{ key = "{key}", unit = "{better}" }}',
    )


def angle_misfit(latitude: ArrayLike, longitude: ArrayLike, heading: ArrayLike) -> Misfit | None:
    """A track whose angles are within 3.2 throughout, headings within twice that.

    (fix,) each, as if in degrees; NaN are passed over.
    """
    places = np.concatenate([finite(latitude), finite(longitude)])
    turned = finite(heading)
    if not places.size or np.abs(places).max() > RADIANS_MOST:
        return None
    if turned.size and np.abs(turned).max() > 2 * RADIANS_MOST:
        return None
    return Misfit(
        f"the track's latitudes and longitudes are within {RADIANS_MOST:g} throughout, and its "
        "headings within a turn of radians",
        'Say tables.track.angle = "rad"',
    )


def height_misfit(
    height_m: float, swath_m: float, spacing_m: float, along_track: float
) -> Misfit | None:
    """A height that makes the swath much wider than the strips lie apart.

    Parameters
    ----------
    height_m : [m] median over the lines
    swath_m : [m] on the ground at that height
    spacing_m : [m] the widest between neighbouring parallel strips; NaN where there are none
    along_track : ground step over sample width at that height, 1 where it is right; NaN unknown

    Where both are known, both must say so: strips flown twice lie near each other too. Where
    there is one strip, the step must be as far off as no flight is.
    """
    narrow = swath_m > SWATH_OVER_SPACING * spacing_m
    if math.isnan(spacing_m):
        narrow = along_track < 1 / SWATH_OVER_SPACING
    if not narrow or along_track > STEP_AGREES:
        return None
    if math.isnan(along_track) and spacing_m < SAME_STRIP_M:
        return None
    # Lines that lie on each other are of a camera that stood still, or of another time.
    if height_m * along_track < LOWEST_M:
        return None
    apart = (
        f"the strips lie {spacing_m:.3g} m apart"
        if math.isfinite(spacing_m)
        else f"the lines lie {along_track:.2g} of a sample's width apart"
    )
    ground = f"{height_m * (1 - along_track):.0f}" if along_track > 0 else "..."
    return Misfit(
        f"the height of {height_m:.0f} m makes a swath of {swath_m:.3g} m, and {apart}: the "
        "heights are not above the ground",
        f"Say tables.track.ground_m = {ground}, the height of the ground on the same scale",
    )


def place_misfit(
    latitude: float,
    longitude: float,
    regions: Sequence[tuple[float, float, float, float]],
    *,
    columns: tuple[str, str] = ("latitude", "longitude"),
) -> Misfit | None:
    """A track far from every polygon, which would be there with latitude and longitude swapped.

    `regions` are bounds (west, south, east, north) [degree], `columns` those of the table that
    latitude and longitude were read from.
    """

    def away(lat: float, lon: float) -> float:
        return min(
            max(_turn(west - lon), _turn(lon - east), south - lat, lat - north, 0.0)
            for west, south, east, north in regions
        )

    if not regions or not away(latitude, longitude) > ELSEWHERE_DEG:
        return None
    says = f"the track lies {away(latitude, longitude):.3g} degrees from the polygons"
    if away(longitude, latitude) > THERE_DEG:
        return Misfit(says, "Look whether track and polygons are of this flight")
    return Misfit(
        f"{says}, and would be there with latitude and longitude swapped",
        f'Say tables.track.columns = {{ latitude = "{columns[1]}", longitude = "{columns[0]}" }}, '
        "or swap the two in the polygons' file",
    )


def units(misfits: Sequence[Misfit], compared: Sequence[str], *, limits: Limits = LIMITS) -> Check:
    """Header or table values that contradict each other.

    Parameters
    ----------
    misfits : what contradicts
    compared : names of what could be compared at all; `not checked` with none
    """
    if not compared:
        return not_checked(
            limits, "units", "no two values of headers and tables can be held against each other"
        )
    if not misfits:
        return row(limits, "units", 0, f"{listed(compared)} fit each other")
    more = f"; {many(len(misfits) - 2, 'other value')} too" if len(misfits) > 1 else ""
    says = "; ".join(m.says for m in misfits[:2]) + (more if len(misfits) > 2 else "")
    return row(limits, "units", len(misfits), says, do=". ".join(m.do for m in misfits))


def _turn(degrees: float) -> float:
    """The shorter way round."""
    return float(wrapped(degrees))


def _alike(a: float, b: float) -> bool:
    return abs(a - b) <= PERIODS_ALIKE * b
