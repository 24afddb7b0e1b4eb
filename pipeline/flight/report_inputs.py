"""From a finished run to what its page draws."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.calibrate.cube import CubeResult
from pipeline.calibrate.ground_positions import along_track_lines, cube_track
from pipeline.calibrate.kernel_tables import median_snr, written_bands
from pipeline.calibrate.prepare import Preparation
from pipeline.write.page.data import ReportData, report_data


def page_data(prepared: Preparation, results: Sequence[CubeResult]) -> ReportData:
    """What the page of a run draws beyond its `run.json`."""
    config, log, track = prepared.config, prepared.log, prepared.track
    wavelength = prepared.cubes[0].wavelength_nm
    tracks = (
        {c.name: cube_track(track, prepared.times[c.name]) for c in prepared.cubes} if track else {}
    )
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
        along_track=along_track_lines(config, prepared.cubes, prepared.times, tracks),
        track=(track.latitude, track.longitude) if track else None,
        regions=prepared.regions or None,
        survey=config.flight.survey,
    )
