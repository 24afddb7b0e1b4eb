"""From a finished run to what its page draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.calibrate.cube import CubeResult
from pipeline.calibrate.ground_positions import along_track_lines, cube_tracks
from pipeline.calibrate.kernel_tables import median_snr, written_bands
from pipeline.calibrate.prepare import Preparation
from pipeline.radiometry.checks.ground import worst_overlap
from pipeline.radiometry.squares import Overlap
from pipeline.write.page.data import ReportData, report_data


def page_data(
    prepared: Preparation, results: Sequence[CubeResult], overlaps: Sequence[Overlap]
) -> ReportData:
    """What the page of a run draws beyond its `run.json`."""
    config, recording, measured = prepared.config, prepared.recording, prepared.measured
    cubes, times, log, track = recording.cubes, recording.times, recording.log, recording.track
    wavelength = recording.wavelength_nm
    data = report_data(
        wavelength_nm=wavelength,
        preview_nm=wavelength[written_bands(prepared)],
        previews={r.name: r.preview for r in results},
        darks=measured.detector.darks,
        readings=measured.readings,
        snr=median_snr(measured),
        times=times,
        illumination=prepared.light.by_cube,
        irradiance_log=(log.time_s, log.level) if log else None,
        along_track=along_track_lines(config, cubes, times, cube_tracks(recording)),
        track=(track.latitude, track.longitude) if track else None,
        regions=recording.regions or None,
        survey=config.flight.survey,
        unwritten={scene.cube: scene.unwritten for scene in measured.scenes},
    )
    return replace(data, overlap=worst_overlap(overlaps), config_text=config.text)
