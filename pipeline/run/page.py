"""From a finished run to what its page draws."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.radiometry.geometry import along_track_ratio, ground_speed
from pipeline.records import Array
from pipeline.run.cube import CubeResult
from pipeline.run.ground import cube_track
from pipeline.run.prepare import Preparation
from pipeline.run.tables import median_snr, written_bands
from pipeline.write.report.data import ReportData, report_data


def page_data(prepared: Preparation, results: Sequence[CubeResult]) -> ReportData:
    """What the page of a run draws beyond its `run.json`."""
    config, log, track = prepared.config, prepared.log, prepared.track
    wavelength = prepared.cubes[0].wavelength_nm
    return report_data(
        wavelength_nm=wavelength,
        preview_nm=wavelength[written_bands(prepared)],
        previews={r.name: r.preview for r in results},
        darks=prepared.darks,
        readings=prepared.readings,
        snr=median_snr(prepared),
        times=prepared.times,
        illumination=prepared.illumination,
        irradiance_log=(log.time_s, log.irradiance) if log else None,
        along_track=_along_track(prepared),
        track=(track.latitude, track.longitude) if track else None,
        regions=prepared.regions or None,
        survey=config.flight.survey,
    )


def _along_track(prepared: Preparation) -> dict[str, Array]:
    """Ground step over sample width at each line of each cube."""
    ifov_mrad, track = prepared.config.sensor.ifov_mrad, prepared.track
    if ifov_mrad is None or track is None:
        return {}
    ratios = {}
    for capture in prepared.cubes:
        when = prepared.times[capture.name]
        at = cube_track(track, when)
        speed = ground_speed(when.time_s, at.latitude, at.longitude)
        ratios[capture.name] = along_track_ratio(speed, when.frame_period_s, at.height_m, ifov_mrad)
    return ratios
