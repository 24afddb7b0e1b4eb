"""Every check of a run, wired to what the run knows; one row each, none left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from pipeline.assess.detector_checks import detector_rows
from pipeline.assess.exposure_checks import exposure_rows
from pipeline.assess.light_checks import flight_rows, light_rows
from pipeline.assess.offload_checks import frozen_row, manifest_row, offload_rows, read_so_far
from pipeline.assess.panel_checks import fit_rows, outside_shares, panel_rows
from pipeline.assess.spectrum_checks import Dips, dips_of, spectrum_rows
from pipeline.assess.strip_checks import agreement_row
from pipeline.assess.units_checks import units_row
from pipeline.calibrate.cube import CubeResult
from pipeline.calibrate.prepare import Preparation
from pipeline.config.flight import Config
from pipeline.radiometry.checks import exposure, ground, past_flights
from pipeline.radiometry.checks import spectrum as spectral
from pipeline.radiometry.checks.past_flights import Comparison
from pipeline.radiometry.checks.row import Limits
from pipeline.radiometry.limits import LIMITS, with_overrides
from pipeline.radiometry.squares import Overlap
from pipeline.records import Check


def limits_of(config: Config) -> Limits:
    """The limits, with those the config moved."""
    moved = {n: (v.caution, v.fail) for n, v in config.limits.items()}
    return with_overrides(LIMITS, moved) if moved else LIMITS


def before_cubes(prepared: Preparation, dips: Dips | None = None) -> list[Check]:
    """The checks that need no calibrated cube; `dips` where they have been sought already."""
    config, recording, measured = prepared.config, prepared.recording, prepared.measured
    light, fit, limits = prepared.light, prepared.fit, limits_of(prepared.config)
    wavelength_nm, readings = recording.wavelength_nm, measured.readings
    outside = outside_shares(fit.empirical_line, measured.scenes, light)
    return [
        *offload_rows(config, recording, measured, limits),
        units_row(config, recording, limits),
        *detector_rows(recording, measured, fit.points.signal, limits),
        *exposure_rows(config, recording, measured, limits),
        *panel_rows(config, recording, readings, light, fit, outside, limits),
        *fit_rows(fit, wavelength_nm, limits),
        *light_rows(recording, readings, light, limits),
        *flight_rows(config, recording, readings, limits),
        *spectrum_rows(recording.cubes[0], dips or dips_of(recording.cubes[0], measured), limits),
    ]


def after_cubes(
    prepared: Preparation,
    results: Sequence[CubeResult],
    sha256_of: Mapping[Path, str],
    overlaps: Sequence[Overlap],
) -> list[Check]:
    """The checks that look at what was read and written; `sha256_of` every input by its path,
    `overlaps` the strips on the ground that they share."""
    limits, recording = limits_of(prepared.config), prepared.recording
    sound = sum(r.count("sound") for r in results)
    with_u = prepared.config.output.uncertainty
    saturated = sum((r.by_band("saturated") for r in results), start=np.zeros(1, np.int64))
    samples = sum((r.by_band("samples") for r in results), start=np.zeros(1, np.int64))
    wavelength = recording.wavelength_nm
    wrong = [f"{r.name} ({r.chunks_wrong})" for r in results if r.chunks_wrong]
    return [
        agreement_row(results, overlaps, limits),
        manifest_row(recording, sha256_of, limits),
        frozen_row(prepared.measured, {r.name: r.repeated for r in results}, limits),
        exposure.scene_saturated(
            saturated,
            samples,
            wavelength_nm=wavelength if saturated.size == wavelength.size else None,
            limits=limits,
        ),
        spectral.negative(
            sum(r.count("negative") for r in results) if with_u else None, sound, limits=limits
        ),
        spectral.above_one(
            sum(r.count("above") for r in results),
            sum(r.count("samples") for r in results),
            limits=limits,
        ),
        spectral.reread(sum(r.chunks_reread for r in results), wrong, limits=limits),
    ]


def past_rows(config: Config, camera: Comparison, panels: Comparison) -> list[Check]:
    """The rows of a campaign's flight: it against those before it."""
    limits = limits_of(config)
    return [
        past_flights.camera_record(camera, limits=limits),
        past_flights.panel_record(panels, limits=limits),
    ]


def without_cubes(prepared: Preparation) -> list[Check]:
    """The rows of `after_cubes` as a thin part of each strip shows them, or not checked."""
    limits, recording = limits_of(prepared.config), prepared.recording
    scenes = prepared.measured.scenes
    share = np.mean([s.saturated for s in scenes], axis=0)
    lines = sum(s.lines.size for s in scenes)
    samples = np.full(share.size, lines * recording.cubes[0].samples)
    return [
        ground.strip_agreement((), missing=ground.NO_CUBES, limits=limits),
        manifest_row(recording, read_so_far(prepared), limits),
        frozen_row(prepared.measured, None, limits),
        exposure.scene_saturated(
            share * samples, samples, wavelength_nm=recording.wavelength_nm, limits=limits
        ),
        spectral.negative(None, None, limits=limits),
        spectral.above_one(None, None, limits=limits),
        spectral.reread(None, limits=limits),
    ]
