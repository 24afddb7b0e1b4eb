"""The checks of the light and of the flight, wired to log, passes and track."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.calibrate.cube_tracks import CubeTrack
from pipeline.calibrate.ground_positions import (
    along_track_lines,
    along_track_ratios,
    cube_tracks,
    positions,
    sample_width_m,
)
from pipeline.calibrate.light import Light, passes_over
from pipeline.calibrate.recording import Recording
from pipeline.config.flight import Config
from pipeline.radiometry import geometry, illumination
from pipeline.radiometry.checks import light as rows
from pipeline.radiometry.checks.row import Limits
from pipeline.records import Array, Check, PanelReading


def light_rows(
    recording: Recording, readings: Sequence[PanelReading], light: Light, limits: Limits
) -> list[Check]:
    """Was the light steady, or followed?"""
    log = recording.log
    return [
        rows.illumination(
            _irradiance(recording, readings, light),
            corrected=light.method != "constant",
            limits=limits,
        ),
        _known(recording, light, limits),
        rows.illumination_steps(
            recording.line_s,
            None if log is None else log.time_s,
            None if log is None else log.level,
            limits=limits,
        ),
        rows.sun_elevation(_sun_elevation(recording), limits=limits),
    ]


def _known(recording: Recording, light: Light, limits: Limits) -> Check:
    """Was the light seen at every line, or supposed to have gone on?"""
    if light.curve is None:
        supposed = "a cloudless sky's by a model" if light.method == "clear sky" else "constant"
        return rows.illumination_known(None, None, None, supposed=supposed, limits=limits)
    followed = [light.by_cube[c.name] for c in recording.cubes]
    relative = [np.atleast_2d(one.uncertainty / one.ratio).max(axis=0) for one in followed]
    return rows.illumination_known(
        np.concatenate([one.extrapolated for one in followed]),
        illumination.seconds_unobserved(light.curve, recording.line_s),
        np.concatenate(relative),
        panels_seen=not light.at_panels.extrapolated.any(),
        limits=limits,
    )


def _irradiance(
    recording: Recording, readings: Sequence[PanelReading], light: Light
) -> Array | None:
    """Irradiance over the lines as far as it is known, in any unit; None where it is not."""
    log = recording.log
    if log is not None:
        line_s = recording.line_s
        inside = (line_s >= log.time_s[0]) & (line_s <= log.time_s[-1])
        found = np.interp(line_s[inside], log.time_s, log.level)
        return found if found.size else None
    if light.method != "constant":
        return np.concatenate([light.by_cube[c.name].level for c in recording.cubes])
    passes = passes_over(readings)
    if len(passes.panel) == len(set(passes.panel)):
        return None  # no panel was passed twice
    return np.asarray(illumination.curve_from_passes(passes, by_band=False).ratio[:, 0])


def _sun_elevation(recording: Recording) -> Array | None:
    """Sun elevation at the first and the last line [degree]."""
    place, line_s = recording.place, recording.line_s
    some = line_s[np.isfinite(line_s)]
    if place is None or not some.size:
        return None
    ends = np.array([some.min(), some.max()])
    return geometry.sun_elevation(ends, *place)


def flight_rows(
    config: Config, recording: Recording, readings: Sequence[PanelReading], limits: Limits
) -> list[Check]:
    """Was it flown as planned?"""
    cubes, tracks = recording.cubes, cube_tracks(recording)
    roll = pitch = panel_roll = panel_pitch = None
    if tracks:
        roll = np.concatenate([t.roll_deg for t in tracks.values()])
        pitch = np.concatenate([t.pitch_deg for t in tracks.values()])
        over = [(tracks[r.cube], slice(*r.lines)) for r in readings]
        panel_roll = float(np.mean([t.roll_deg[part].mean() for t, part in over]))
        panel_pitch = float(np.mean([t.pitch_deg[part].mean() for t, part in over]))
    share, holes = _coverage(config, recording, tracks)
    return [
        rows.along_track(
            along_track_ratios(along_track_lines(config, cubes, recording.times, tracks)),
            frame_period_ms=1000 * float(recording.times[cubes[0].name].frame_period_s),
            sample_width_m=sample_width_m(config, tracks),
            limits=limits,
        ),
        rows.attitude(roll, pitch, panel_roll, panel_pitch, limits=limits),
        rows.coverage(share, holes, limits=limits),
        rows.sensor_temperature(
            np.array([c.settings.sensor_temperature_c for c in cubes]), limits=limits
        ),
    ]


def _coverage(
    config: Config, recording: Recording, tracks: Mapping[str, CubeTrack]
) -> tuple[float | None, int | None]:
    """Share of the survey polygon seen and number of gaps; None where it cannot be known."""
    if not tracks:
        return None, None
    survey = recording.regions.get(config.flight.survey)
    if survey is None or survey.geom_type != "Polygon":
        return None, None
    ring = np.asarray(survey.exterior.coords)[:-1]
    outlines = []
    for capture in recording.cubes:
        found = positions(config, capture, tracks[capture.name])
        if found is not None:
            outline = geometry.footprint(geometry.GroundPositions(found.latitude, found.longitude))
            outlines.append(outline)
    if not outlines:
        return None, None
    return geometry.coverage(outlines, ring), len(geometry.gaps(outlines, ring))
