"""The polygons that are laid around panels: which of them a patch lies in."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline.calibrate.cube_tracks import cube_track, sample_places
from pipeline.calibrate.panels.region_search import TRACK_ERROR_M
from pipeline.calibrate.recording import Recording
from pipeline.config.flight import Config
from pipeline.radiometry.angles import near
from pipeline.radiometry.geometry import GroundPositions, metres_per_degree
from pipeline.radiometry.panels.patches import Patch
from pipeline.records import Array

#: Names of the polygons that a patch of a cube lies in.
PolygonsOf = Callable[[str, Patch], frozenset[str]]


def no_polygons(cube: str, patch: Patch) -> frozenset[str]:
    """None: there are no polygons, or no track leads to them."""
    return frozenset()


def small_polygons(config: Config, recording: Recording) -> PolygonsOf:
    """Which polygons but the survey's a patch lies in, the track's error allowed for.

    Positions need a track and the sensor's IFOV; without them, or without polygons, none.
    """
    track, sensor = recording.track, config.sensor
    around = {
        name: shape
        for name, shape in (recording.regions or {}).items()
        if name != config.flight.survey
    }
    if track is None or sensor.ifov_mrad is None or not around:
        return no_polygons
    ifov_mrad = sensor.ifov_mrad
    captures = recording.by_name

    @lru_cache(maxsize=1)
    def places_of(cube: str) -> GroundPositions:
        at = cube_track(track, recording.times[cube])
        return sample_places(captures[cube], at, sensor, ifov_mrad)

    def polygons_of(cube: str, patch: Patch) -> frozenset[str]:
        places = places_of(cube)
        line, sample = (int(v) for v in patch.middle)
        latitude = float(places.latitude[line, sample])
        longitude = float(places.longitude[line, sample])
        if not math.isfinite(latitude + longitude):
            return frozenset()
        return frozenset(n for n, shape in around.items() if _within(latitude, longitude, shape))

    return polygons_of


def _within(latitude: float, longitude: float, shape: BaseGeometry) -> bool:
    """Whether a place lies in a polygon in degrees, or as near to it as a track may be off."""
    north_m, east_m = (float(v) for v in metres_per_degree(latitude))

    def in_metres(points: Array) -> Array:
        away = near(points[:, 0], longitude) - longitude
        return np.column_stack([away * east_m, (points[:, 1] - latitude) * north_m])

    return bool(shapely.transform(shape, in_metres).distance(shapely.Point(0, 0)) <= TRACK_ERROR_M)


def all_in_one(polygons: Sequence[frozenset[str]]) -> bool:
    """Whether there is a polygon that holds all of some patches."""
    return bool(polygons) and bool(frozenset.intersection(*polygons))
