"""The track at a cube's lines, and where its samples lie by it and by the camera's mount."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.config.sensor import Sensor
from pipeline.radiometry import geometry
from pipeline.read.tables import Track
from pipeline.records import Array, Capture, LineTimes


@dataclass(frozen=True, eq=False)
class CubeTrack:
    """The track at a cube's lines, (line,) each; NaN outside the track."""

    latitude: Array
    longitude: Array
    height_m: Array
    roll_deg: Array
    pitch_deg: Array
    heading_deg: Array


def cube_track(track: Track, times: LineTimes) -> CubeTrack:
    """The track at a cube's lines."""
    names = ("latitude", "longitude", "height_m", "roll_deg", "pitch_deg", "heading_deg")
    columns = geometry.interpolate_track(
        track.time_s, {name: getattr(track, name) for name in names}, times.time_s
    )
    return CubeTrack(**columns)


def sample_places(
    capture: Capture, at: CubeTrack, sensor: Sensor, ifov_mrad: float
) -> geometry.GroundPositions:
    """Where a cube's samples lie by its track and the camera's mount."""
    return geometry.sample_positions(
        at.latitude,
        at.longitude,
        at.height_m,
        samples=capture.samples,
        ifov_mrad=ifov_mrad,
        roll_deg=at.roll_deg,
        pitch_deg=at.pitch_deg,
        heading_deg=at.heading_deg,
        mirrored=sensor.first_sample == "right",
        boresight_deg=sensor.boresight_deg,
    )
