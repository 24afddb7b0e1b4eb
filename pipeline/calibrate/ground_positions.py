"""The track applied to the cubes: where each line and sample lies on flat ground."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from pipeline.calibrate.cube_tracks import CubeTrack, cube_track, sample_places
from pipeline.calibrate.kernel_tables import Positions
from pipeline.calibrate.recording import Recording
from pipeline.config.flight import Config
from pipeline.config.sensor import Sensor
from pipeline.radiometry import geometry
from pipeline.radiometry.angles import span, wrapped
from pipeline.records import Array, Capture, LineTimes
from pipeline.write.provenance import Extents


def cube_tracks(recording: Recording) -> dict[str, CubeTrack]:
    """The track at the lines of each cube, by cube; empty without one."""
    track = recording.track
    if track is None:
        return {}
    return {c.name: cube_track(track, recording.times[c.name]) for c in recording.cubes}


def positions(config: Config, capture: Capture, at: CubeTrack | None) -> Positions | None:
    """Latitude and longitude of each sample; None without a track, an IFOV or any known line."""
    if at is None or config.sensor.ifov_mrad is None:
        return None
    found = sample_places(capture, at, config.sensor, config.sensor.ifov_mrad)
    if not np.isfinite(found.latitude).any():
        return None
    longitude = found.longitude
    if np.nanmax(np.abs(longitude)) > 180.0:
        longitude = wrapped(longitude)
    return Positions(found.latitude, longitude, at.latitude, at.longitude, at.height_m)


def extents(found: Positions | None, at: CubeTrack | None, sensor: Sensor) -> Extents | None:
    """Extents of a cube, and how far they are to be trusted."""
    if found is None or at is None:
        return None
    height_m = float(np.nanmedian(at.height_m))
    mounted = "with the boresight that the config gives" if any(sensor.boresight_deg) else \
        "without mounting offsets"  # fmt: skip
    per_degree = height_m * math.tan(math.radians(1))
    return Extents(
        (float(np.nanmin(found.latitude)), float(np.nanmax(found.latitude))),
        span(found.longitude),
        f"Estimate on flat ground from the track, the camera {mounted}: the track's "
        f"own error, and {per_degree:.2g} m on the ground for each degree of attitude or mounting "
        f"error at {height_m:.0f} m height. For orientation, not for survey.",
    )


def sample_width_m(config: Config, tracks: Mapping[str, CubeTrack]) -> float:
    """Ground width of a sample at the strips' median height [m]; NaN where it is not known."""
    heights = [at.height_m[np.isfinite(at.height_m)] for at in tracks.values()]
    known = np.concatenate(heights) if heights else np.empty(0)
    if not known.size or config.sensor.ifov_mrad is None:
        return math.nan
    return float(np.median(known)) * config.sensor.ifov_mrad * 1e-3


def along_track_lines(
    config: Config,
    cubes: tuple[Capture, ...],
    times: Mapping[str, LineTimes],
    tracks: Mapping[str, CubeTrack],
) -> dict[str, Array]:
    """Ground step over sample width at each line, by cube; empty where it cannot be known."""
    ifov_mrad = config.sensor.ifov_mrad
    if not tracks or ifov_mrad is None:
        return {}
    ratios = {}
    for capture in cubes:
        at, when = tracks[capture.name], times[capture.name]
        speed = geometry.ground_speed(when.time_s, at.latitude, at.longitude)
        ratios[capture.name] = geometry.along_track_ratio(
            speed, when.frame_period_s, at.height_m, ifov_mrad
        )
    return ratios


def along_track_ratios(lines: Mapping[str, Array]) -> dict[str, float] | None:
    """Median of `along_track_lines` by cube, NaN where no line is known; None without any cube."""
    known = {name: ratio[np.isfinite(ratio)] for name, ratio in lines.items()}
    return {n: float(np.median(r)) if r.size else math.nan for n, r in known.items()} or None
