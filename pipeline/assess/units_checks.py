"""The check of units and datums, wired to what a flight's headers and tables say."""

from __future__ import annotations

import numpy as np

from pipeline.calibrate.ground_positions import along_track_lines, along_track_ratios, cube_tracks
from pipeline.calibrate.recording import Recording
from pipeline.config.flight import Config
from pipeline.flags import LineFlag
from pipeline.radiometry.angles import circular_mean
from pipeline.radiometry.checks import units
from pipeline.radiometry.checks.row import Limits
from pipeline.radiometry.strip_spacing import widest_spacing_m
from pipeline.records import Check


def units_row(config: Config, recording: Recording, limits: Limits) -> Check:
    """Do the values of headers and tables fit each other?"""
    angles = _angles(config, recording)
    in_degrees = not any(angles or [])
    looks: dict[str, Misfits] = {
        "frame period and line times": _spans(config, recording),
        "the track's angles": angles,
        "heights and strip spacing": _heights(config, recording) if in_degrees else None,
        "track and polygons": _place(config, recording) if in_degrees else None,
    }
    compared = {name: misfits for name, misfits in looks.items() if misfits is not None}
    found = [one for misfits in compared.values() for one in misfits if one is not None]
    return units.units(found, list(compared), limits=limits)


Misfits = list[units.Misfit | None] | None  # None: cannot be compared


def _spans(config: Config, recording: Recording) -> Misfits:
    """Exposure and frame period of the first cube against each other and its line times."""
    first = recording.cubes[0]
    stated, keys, times = first.settings, config.sensor.header_keys, recording.times[first.name]
    recorded = not (times.flags & LineFlag.TIME_ESTIMATED).any()
    step_ms = float(np.median(np.diff(times.time_s))) * 1e3 if times.time_s.size > 1 else np.nan
    period_ms = step_ms if recorded and step_ms > 0 else stated.frame_period_ms
    if not period_ms > 0 or not (recorded or stated.exposure_ms > 0):
        return None
    period, exposure = keys.frame_period, keys.exposure_time
    made: list[units.Misfit | None] = []
    if recorded:
        stated_ms = stated.frame_period_ms
        made.append(units.period_misfit(stated_ms, step_ms, key=period.key, unit=period.unit))
    made.append(
        units.exposure_misfit(stated.exposure_ms, period_ms, key=exposure.key, unit=exposure.unit)
    )
    return made


def _angles(config: Config, recording: Recording) -> Misfits:
    track = recording.track
    if track is None or config.tables.track.angle == "rad":
        return None
    return [units.angle_misfit(track.latitude, track.longitude, track.heading_deg)]


def _heights(config: Config, recording: Recording) -> Misfits:
    track, ifov_mrad, cubes = recording.track, config.sensor.ifov_mrad, recording.cubes
    if track is None or ifov_mrad is None:
        return None
    tracks = cube_tracks(recording)
    spacing_m = widest_spacing_m([(at.latitude, at.longitude) for at in tracks.values()])
    heights = np.concatenate([at.height_m for at in tracks.values()])
    if not np.isfinite(heights).any():
        return None
    height_m = float(np.nanmedian(heights))
    ratios = along_track_ratios(along_track_lines(config, cubes, recording.times, tracks)) or {}
    known = [ratio for ratio in ratios.values() if np.isfinite(ratio)]
    if not known and not np.isfinite(spacing_m):
        return None
    return [
        units.height_misfit(
            height_m,
            height_m * cubes[0].samples * ifov_mrad * 1e-3,
            spacing_m,
            float(np.median(known)) if known else np.nan,
        )
    ]


def _place(config: Config, recording: Recording) -> Misfits:
    track, regions = recording.track, recording.regions
    if track is None or not regions:
        return None
    where = float(np.median(track.latitude)), circular_mean(track.longitude)
    named = config.tables.track.columns
    columns = named.get("latitude", "latitude"), named.get("longitude", "longitude")
    bounds = [shape.bounds for shape in regions.values()]
    return [units.place_misfit(*where, bounds, columns=columns)]
