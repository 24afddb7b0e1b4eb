"""Where lines and samples lie on flat ground, how the flight moved, and where the sun stood.

Angles are degrees unless said otherwise: latitude and longitude WGS 84; heading clockwise from
true north; roll positive with the right wing down; pitch positive with the nose up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.machinery import PathFinder
from importlib.util import find_spec, module_from_spec
from types import ModuleType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry.angles import circular_mean, wrapped
from pipeline.radiometry.mount import lines_of_sight, meet_ground
from pipeline.records import Array

#: WGS 84 ellipsoid: semi-major axis [m] and flattening (NGA.STND.0036, table 3.1).
_AXIS_M = 6_378_137.0
_FLATTENING = 1 / 298.257223563
_ECCENTRICITY2 = _FLATTENING * (2 - _FLATTENING)

#: What the solar position algorithm supposes of the air [degree C, degree] and of terrestrial less
#: universal time [s]: pvlib's own defaults. A second is 0.00001 degrees of the sun's place.
_AIR_C, _REFRACTION_AT_HORIZON_DEG, _DELTA_T_S = 12.0, 0.5667, 67.0

#: Columns of a track that turn through 360 degrees.
_ANGLES = ("longitude", "heading_deg", "roll_deg", "pitch_deg")


class GroundPositions(NamedTuple):
    """Latitude and longitude of each sample, (line, sample) [degree]."""

    latitude: Array
    longitude: Array


def metres_per_degree(latitude: ArrayLike) -> tuple[Array, Array]:
    """Length of a degree of latitude and of longitude on the ellipsoid, [m].

    From the radii of curvature in the meridian and in the prime vertical (NGA.STND.0036).
    """
    phi = np.radians(np.asarray(latitude, np.float64))
    w2 = 1 - _ECCENTRICITY2 * np.sin(phi) ** 2
    meridian = _AXIS_M * (1 - _ECCENTRICITY2) / w2**1.5
    vertical = _AXIS_M / np.sqrt(w2)
    return np.radians(1.0) * meridian, np.radians(1.0) * vertical * np.cos(phi)


def interpolate_track(
    track_time_s: ArrayLike, track: Mapping[str, ArrayLike], line_time_s: ArrayLike
) -> dict[str, Array]:
    """Track columns at the lines' times, linear, angles through the shorter arc.

    Parameters
    ----------
    track_time_s : (fix,) [s]; any order, NaN and repeated times are passed over
    track : (fix,) by column name: latitude, longitude, height_m, roll_deg, pitch_deg,
        heading_deg; NaN are passed over, column by column
    line_time_s : (line,) [s]

    Returns
    -------
    The same columns at the lines, (line,). NaN outside the track, where the time is NaN, and in
    a column without a value. Headings are 0 to 360, other angles -180 to 180.
    """
    time = np.asarray(track_time_s, np.float64)
    lines = np.asarray(line_time_s, np.float64)
    found: dict[str, Array] = {}
    for name, column in track.items():
        values = np.asarray(column, np.float64)
        good = np.isfinite(time) & np.isfinite(values)
        at, first = np.unique(time[good], return_index=True)
        values = values[good][first]
        if not at.size:
            found[name] = np.full(lines.shape, math.nan)
            continue
        if name in _ANGLES:
            values = np.unwrap(values, period=360.0)
        made = np.interp(lines, at, values, left=math.nan, right=math.nan)
        if name == "heading_deg":
            made = np.mod(made, 360.0)
        elif name in _ANGLES:
            made = np.mod(made + 180.0, 360.0) - 180.0
        found[name] = made
    return found


def course(latitude: ArrayLike, longitude: ArrayLike) -> Array:
    """Direction of travel, (line,) [degree, 0 to 360], from positions alone.

    Lines that do not move take the direction of the nearest that does; NaN where none moves, or
    with fewer than two positions.
    """
    north, east = _velocity(latitude, longitude)
    moves = np.isfinite(north) & np.isfinite(east) & (np.hypot(north, east) > 0)
    heading = np.full(north.shape, math.nan)
    if not moves.any():
        return heading
    heading[moves] = np.degrees(np.arctan2(east[moves], north[moves])) % 360.0
    index, moving = np.arange(north.size), np.flatnonzero(moves)
    after = np.clip(np.searchsorted(moving, index), 0, moving.size - 1)
    before = np.maximum(after - 1, 0)
    nearer = np.abs(moving[after] - index) <= np.abs(index - moving[before])
    return np.asarray(heading[np.where(nearer, moving[after], moving[before])], np.float64)


def sample_positions(
    latitude: ArrayLike,
    longitude: ArrayLike,
    height_m: ArrayLike,
    *,
    samples: int,
    ifov_mrad: float,
    roll_deg: ArrayLike | None = None,
    pitch_deg: ArrayLike | None = None,
    heading_deg: ArrayLike | None = None,
    mirrored: bool = False,
    boresight_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> GroundPositions:
    """Where each sample meets flat ground.

    Parameters
    ----------
    latitude, longitude : (line,) [degree] of the camera
    height_m : (line,) [m] above the ground
    samples : number of samples; the middle one looks straight down when the camera is level
    ifov_mrad : [mrad] of one sample at nadir; a flat detector, so that samples have equal width
        on the ground below a level camera
    roll_deg, pitch_deg, heading_deg : (line,); None or NaN is level, and for the heading the
        course from the positions
    mirrored, boresight_deg : how the camera is mounted, see `mount.lines_of_sight`; by default
        samples increase to the right of the heading

    Returns
    -------
    Latitude and longitude, (line, sample) float64 [degree]. NaN where position, height or course
    is NaN, and for a line of sight that does not meet the ground.

    Notes
    -----
    The aircraft's axes turn by heading, then pitch, then roll. Metres become degrees by the
    ellipsoid's radii of curvature at each line, which leaves out that meridians converge,
    distance^2 x tan(latitude) / (2 x 6371 km): up to 200 m from the camera within 1 cm of the
    geodesic to 65 degrees north or south, 2 cm to 75.
    The ground's relief and a lever arm are not in it.
    """
    lat, lon, height = (
        np.atleast_1d(np.asarray(one, np.float64)) for one in (latitude, longitude, height_m)
    )
    roll, pitch = (_level(angle, lat.shape) for angle in (roll_deg, pitch_deg))
    heading = np.full(lat.shape, math.nan)
    if heading_deg is not None:
        heading = np.broadcast_to(np.asarray(heading_deg, np.float64), lat.shape)
    if not np.isfinite(heading).all():
        heading = np.where(np.isfinite(heading), heading, course(lat, lon))
    height = np.where(height > 0, height, math.nan)
    north_m, east_m = metres_per_degree(lat)
    look = lines_of_sight(samples, ifov_mrad, mirrored=mirrored, boresight_deg=boresight_deg)
    angles = (np.radians(roll), np.radians(pitch), np.radians(heading))
    turns = np.stack([wave(angle) for angle in angles for wave in (np.sin, np.cos)], axis=1)
    found = GroundPositions(*np.empty((2, lat.size, samples)))
    lines = np.stack([lat, lon, height, north_m, east_m], axis=1)
    meet_ground(lines, turns, look, found.latitude, found.longitude)
    return found


def ground_speed(time_s: ArrayLike, latitude: ArrayLike, longitude: ArrayLike) -> Array:
    """Speed over ground, (line,) [m/s], from positions in time.

    Central differences; NaN where the time does not increase, and with fewer than two positions.
    """
    north, east = _velocity(latitude, longitude)
    time = np.atleast_1d(np.asarray(time_s, np.float64))
    if time.size < 2:
        return np.full(time.shape, math.nan)
    step = np.gradient(time)
    speed = np.full(time.shape, math.nan)
    np.divide(np.hypot(north, east), step, out=speed, where=step > 0)
    return speed


def along_track_ratio(
    speed_m_s: ArrayLike, frame_period_s: float, height_m: ArrayLike, ifov_mrad: float
) -> Array:
    """Ground step between lines over the ground width of a sample, (line,) [1].

    speed x frame period / (height x IFOV): 1 samples the ground squarely, above it there are
    gaps between lines. NaN where height is not positive.
    """
    height = np.asarray(height_m, np.float64)
    step = np.asarray(speed_m_s, np.float64) * frame_period_s
    width = np.where(height > 0, height, math.nan) * ifov_mrad * 1e-3
    return np.asarray(step / width, np.float64)


def footprint(positions: GroundPositions, most_lines: int = 200) -> Array:
    """Outline of a strip, (vertex, 2) [longitude, latitude in degrees], not closed.

    Down the first sample and back up the last, over at most `most_lines` lines; lines that are
    NaN are passed over. Empty where fewer than two lines are known.
    """
    lat, lon = positions
    ends = [0, -1]
    known = np.isfinite(lat[:, ends]).all(axis=1) & np.isfinite(lon[:, ends]).all(axis=1)
    good = np.flatnonzero(known)
    if good.size < 2:
        return np.empty((0, 2))
    few = good[np.unique(np.linspace(0, good.size - 1, min(most_lines, good.size)).astype(int))]
    back = few[::-1]
    return np.column_stack(
        [
            np.concatenate([lon[few, 0], lon[back, -1]]),
            np.concatenate([lat[few, 0], lat[back, -1]]),
        ]
    )


def coverage(footprints: Sequence[Array], survey: Array) -> float:
    """Share of the survey polygon's area that the strips saw, 0 to 1.

    Parameters
    ----------
    footprints : outlines (vertex, 2) [longitude, latitude], as `footprint` gives them
    survey : the survey polygon's ring, likewise

    NaN where the survey polygon has no area.
    """
    polygon, seen, _ = _areas(footprints, survey)
    if not polygon.area > 0:
        return math.nan
    return float(polygon.intersection(seen).area / polygon.area)


def gaps(footprints: Sequence[Array], survey: Array, smallest_m2: float = 1.0) -> list[Array]:
    """Outlines of the survey polygon's parts that no strip saw, largest first.

    As `coverage`; each is (vertex, 2) [longitude, latitude]; parts below `smallest_m2` are left
    out.
    """
    polygon, seen, (lon0, lat0, scale) = _areas(footprints, survey)
    rest = polygon.difference(seen)
    parts = [part for part in getattr(rest, "geoms", [rest]) if part.area >= smallest_m2]
    parts.sort(key=lambda part: -part.area)
    rings = [np.asarray(part.exterior.coords)[:-1] / scale + (lon0, lat0) for part in parts]
    return [np.column_stack([wrapped(ring[:, 0]), ring[:, 1]]) for ring in rings]


def sun_elevation(
    time_s: ArrayLike, latitude: ArrayLike, longitude: ArrayLike, altitude_m: float = 0.0
) -> Array:
    """Where the sun is seen above the horizon, (time,) [degree], refraction included.

    Parameters
    ----------
    time_s : (time,) UTC seconds since 1970
    latitude, longitude : (time,) or one number [degree]
    altitude_m : above sea level, for the air's pressure

    Returns
    -------
    Apparent elevation by the NREL solar position algorithm (Reda and Andreas 2004, doi
    10.1016/j.solener.2003.12.003, through pvlib); NaN where an input is.
    """
    spa = _spa()
    time, lat, lon = (
        np.asarray(one, np.float64)
        for one in np.broadcast_arrays(np.atleast_1d(time_s), latitude, longitude)
    )
    elevation = np.full(time.shape, math.nan)
    good = np.isfinite(time) & np.isfinite(lat) & np.isfinite(lon)
    if not good.any():
        return elevation
    # pvlib takes one position a call. Over a flight the sun's angle changes with the position by
    # 1e-5 degrees a metre, so the middle one stands for those within a kilometre of it.
    cell = np.round(np.column_stack([lat[good], lon[good]]), 2)
    index = np.flatnonzero(good)
    for place in np.unique(cell, axis=0):
        chosen = index[(cell == place).all(axis=1)]
        elevation[chosen] = spa.solar_position(
            np.round(time[chosen] * 1e9) / 1e9,
            float(np.mean(lat[chosen])),
            float(np.mean(lon[chosen])),
            elev=altitude_m,
            pressure=pressure_pa(altitude_m) / 100,
            temp=_AIR_C,
            delta_t=_DELTA_T_S,
            atmos_refract=_REFRACTION_AT_HORIZON_DEG,
        )[2]
    return elevation


@cache
def _spa() -> ModuleType:
    """pvlib's module of the solar position algorithm, which needs numpy alone.

    Loaded from its file: the package around it brings pandas and most of scipy, 0.8 s of processor
    time for one formula.
    """
    package = find_spec("pvlib")
    places = None if package is None else package.submodule_search_locations
    alone = PathFinder.find_spec("spa", places)
    if places is None or alone is None or alone.loader is None:
        raise ModuleNotFoundError("pvlib has no module spa")
    module = module_from_spec(alone)
    alone.loader.exec_module(module)
    return module


def sun_cosine_change(
    line_time_s: ArrayLike, panel_time_s: ArrayLike, latitude: float, longitude: float
) -> float:
    """Largest relative change of the cosine of the sun's zenith angle since the panels.

    Each line is compared with the panel reading nearest in time. Signed, of the largest
    magnitude; NaN where no time is known, or the sun is below the horizon at a panel reading.
    """
    lines = np.asarray(line_time_s, np.float64).ravel()
    panels = np.asarray(panel_time_s, np.float64).ravel()
    lines, panels = lines[np.isfinite(lines)], np.sort(panels[np.isfinite(panels)])
    if not lines.size or not panels.size:
        return math.nan
    after = np.clip(np.searchsorted(panels, lines), 0, panels.size - 1)
    before = np.maximum(after - 1, 0)
    nearer = np.abs(panels[after] - lines) < np.abs(lines - panels[before])
    nearest = np.where(nearer, after, before)
    # The cosine runs smoothly: a time a half minute or so is enough, and pvlib is slow.
    first, last = min(lines.min(), panels[0]), max(lines.max(), panels[-1])
    few = np.linspace(first, last, int(np.clip((last - first) / 30, 2, 500)))
    up = np.sin(np.radians(sun_elevation(few, latitude, longitude)))
    then = np.interp(panels, few, up)[nearest]
    if (then <= 0).any():
        return math.nan
    change = np.interp(lines, few, up) / then - 1
    return float(change[np.abs(change).argmax()])


def pressure_pa(altitude_m: float) -> float:
    """Of the standard atmosphere (ISO 2533) at an altitude."""
    return 101_325.0 * math.pow(1 - 2.25577e-5 * altitude_m, 5.25588)


def _level(angle_deg: ArrayLike | None, shape: tuple[int, ...]) -> Array:
    if angle_deg is None:
        return np.zeros(shape)
    angle = np.broadcast_to(np.asarray(angle_deg, np.float64), shape)
    return np.where(np.isfinite(angle), angle, 0.0)


def _velocity(latitude: ArrayLike, longitude: ArrayLike) -> tuple[Array, Array]:
    """Metres north and east a line, by central differences, (line,)."""
    lat = np.atleast_1d(np.asarray(latitude, np.float64))
    lon = np.atleast_1d(np.asarray(longitude, np.float64))
    if lat.size < 2:
        return np.full(lat.shape, math.nan), np.full(lat.shape, math.nan)
    north_m, east_m = metres_per_degree(lat)
    dlon = np.gradient(lon)
    dlon_short = 0.5 * (np.mod(2 * dlon + 180.0, 360.0) - 180.0)
    ends = np.array([0, -1])
    dlon_short[ends] = np.mod(dlon[ends] + 180.0, 360.0) - 180.0
    return np.gradient(lat) * north_m, dlon_short * east_m


def _areas(footprints: Sequence[Array], survey: Array) -> tuple[Any, Any, tuple[Any, ...]]:
    """Survey polygon and union of strips in local metres, and what leads back to degrees."""
    from shapely import make_valid, union_all
    from shapely.geometry import Polygon

    ring = np.asarray(survey, np.float64)
    lon0, lat0 = circular_mean(ring[:, 0]), float(ring[:, 1].mean())
    north_m, east_m = metres_per_degree(lat0)
    scale = np.array([float(east_m), float(north_m)])

    def polygon(outline: Array) -> Any:
        away = np.asarray(outline, np.float64) - (lon0, lat0)
        away[:, 0] = wrapped(away[:, 0])
        return make_valid(Polygon(away * scale))

    seen = union_all([polygon(outline) for outline in footprints if len(outline) >= 3])
    return polygon(ring), seen, (lon0, lat0, scale)
