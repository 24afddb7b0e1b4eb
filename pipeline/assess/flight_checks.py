"""Every check of a run, wired to what the run knows; one row each, none left out."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.assess.offload_checks import manifest_row, offload_rows, read_so_far
from pipeline.calibrate.cube import CubeResult
from pipeline.calibrate.ground_positions import (
    along_track_lines,
    along_track_ratios,
    cube_track,
    positions,
)
from pipeline.calibrate.kernel_tables import median_snr
from pipeline.calibrate.panels.region_search import unconfirmed
from pipeline.calibrate.prepare import Preparation, pass_levels
from pipeline.radiometry import geometry, spectrum
from pipeline.radiometry.checks import dark, exposure, fit, light
from pipeline.radiometry.checks import spectrum as spectral
from pipeline.radiometry.checks.row import Limits, not_checked
from pipeline.radiometry.empirical_line import leave_one_out, predict, without_each
from pipeline.radiometry.limits import LIMITS, with_overrides
from pipeline.records import Array, Check

_SMILE_GROUPS = 16


def limits_of(prepared: Preparation) -> Limits:
    """The limits, with those the config moved."""
    moved = {n: (v.caution, v.fail) for n, v in prepared.config.limits.items()}
    return with_overrides(LIMITS, moved) if moved else LIMITS


def before_cubes(prepared: Preparation) -> list[Check]:
    """The checks that need no calibrated cube."""
    limits = limits_of(prepared)
    return [
        *offload_rows(prepared, limits),
        *_dark(prepared, limits),
        *_exposure(prepared, limits),
        *_panels(prepared, limits),
        *_fit(prepared, limits),
        *_light(prepared, limits),
        *_flight(prepared, limits),
        *_spectrum(prepared, limits),
    ]


def after_cubes(
    prepared: Preparation,
    results: Sequence[CubeResult],
    sha256_of: Mapping[Path, str],
) -> list[Check]:
    """The checks that look at what was read and written; `sha256_of` every input by its path."""
    limits = limits_of(prepared)
    sound = sum(r.count("sound") for r in results)
    with_u = prepared.config.output.uncertainty
    saturated = sum((r.tallies[:, 1] for r in results), start=np.zeros(1, np.int64))
    samples = sum((r.tallies[:, 0] for r in results), start=np.zeros(1, np.int64))
    wavelength = prepared.cubes[0].wavelength_nm
    wrong = [f"{r.name} ({r.chunks_wrong})" for r in results if r.chunks_wrong]
    return [
        manifest_row(prepared, sha256_of, limits),
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


def without_cubes(prepared: Preparation) -> list[Check]:
    """The rows of `after_cubes` as a thin part of each strip shows them, or not checked."""
    limits = limits_of(prepared)
    share = np.mean([s.saturated for s in prepared.scenes], axis=0)
    lines = sum(s.lines.size for s in prepared.scenes)
    samples = np.full(share.size, lines * prepared.cubes[0].samples)
    return [
        manifest_row(prepared, read_so_far(prepared), limits),
        exposure.scene_saturated(
            share * samples,
            samples,
            wavelength_nm=prepared.cubes[0].wavelength_nm,
            limits=limits,
        ),
        spectral.negative(None, None, limits=limits),
        spectral.above_one(None, None, limits=limits),
        spectral.reread(None, limits=limits),
    ]


def _dark(prepared: Preparation, limits: Limits) -> list[Check]:
    darks, cubes = prepared.darks, prepared.cubes
    in_order = sorted(darks, key=lambda d: (math.isnan(d.time_s), d.time_s))
    levels = {d.name: float(np.nanmean(d.mean, dtype=np.float64)) for d in in_order}
    line_s, dark_s = _all_times(prepared), np.array([d.time_s for d in darks])
    slope = error = None
    if len(darks) == 1:
        capture = prepared.inventory.darks[0]
        period_s = capture.settings.frame_period_ms / 1000
        if math.isfinite(period_s):
            slope, error = (v / period_s for v in dark.level_slope(darks[0].level))
    temperature = {c.name: c.settings.sensor_temperature_c for c in cubes}
    bright = _brightest(prepared)
    return [
        dark.dark_settings(prepared.inventory.darks, cubes[0], limits=limits),
        dark.dark_frames({d.name: d.frames for d in darks}, limits=limits),
        dark.dark_steadiness({d.name: d.level for d in darks}, limits=limits),
        dark.dark_drift(
            levels,
            slope_count_per_s=slope,
            slope_error_count_per_s=error,
            minutes_to_farthest_line=dark.farthest_minutes(line_s, dark_s),
            limits=limits,
        ),
        dark.dark_age(line_s, dark_s, limits=limits),
        dark.dark_temperature(
            np.array([d.sensor_temperature_c for d in darks]), temperature, limits=limits
        ),
        dark.light_leak(
            {d.name: np.nanmedian(d.mean, axis=1) for d in darks},
            bright,
            scene_spectrum=_scene_spectrum(prepared),
            limits=limits,
        ),
        dark.dark_clipped({d.name: d.clipped for d in darks}, limits=limits),
        dark.bad_elements(prepared.bad, limits=limits),
        _striping(prepared, limits),
    ]


def _all_times(prepared: Preparation) -> Array:
    return np.concatenate([prepared.times[c.name].time_s for c in prepared.cubes])


def _brightest(prepared: Preparation) -> Array | None:
    """Mean spectrum of the panels, (band,) [count]."""
    return np.asarray(np.nanmean(prepared.points.signal, axis=0))


def _scene_spectrum(prepared: Preparation) -> Array:
    """Mean spectrum of the strips' thin lines over the good elements, (band,) [count]."""
    mean = np.mean([s.mean for s in prepared.scenes], axis=0, dtype=np.float64)
    good = ~prepared.bad.any
    count = good.sum(axis=1)
    total = np.where(good, mean, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _striping(prepared: Preparation, limits: Limits) -> Check:
    if prepared.flat_signal is not None:
        return dark.striping(prepared.flat_signal, subject="flat", limits=limits)
    if not prepared.panel_profiles:
        return dark.striping(None, limits=limits)
    # The widest panel shows most neighbours.
    name = max(prepared.panel_profiles, key=lambda n: prepared.panel_profiles[n].shape[1])
    return dark.striping(prepared.panel_profiles[name], subject=name, limits=limits)


def _exposure(prepared: Preparation, limits: Limits) -> list[Check]:
    config = prepared.config
    uses = {panel.name: panel.use for panel in config.panel}
    peaks: dict[str, float] = {}
    shares: dict[str, Array] = {}
    for r in prepared.readings:
        peaks[r.panel] = max(peaks.get(r.panel, 0.0), r.peak_counts)
        if uses[r.panel] == "fit":
            worst = np.fmax(shares.get(r.panel, r.saturated_share), r.saturated_share)
            shares[r.panel] = worst
    wavelength = prepared.cubes[0].wavelength_nm
    return [
        exposure.panel_peak(peaks, config.sensor.full_scale_counts, limits=limits),
        exposure.panel_saturated(shares, wavelength_nm=wavelength, limits=limits),
        exposure.scene_low_signal(median_snr(prepared), wavelength_nm=wavelength, limits=limits),
        exposure.noise_model(
            prepared.transfer.electrons_per_count,
            config.sensor.electrons_per_count,
            standard_error=prepared.transfer.standard_error,
            limits=limits,
        ),
    ]


def _panels(prepared: Preparation, limits: Limits) -> list[Check]:
    config, points = prepared.config, prepared.points
    names = [r.name for r in points.references]
    signal = {n: _usable(points.signal[i], points.usable[i]) for i, n in enumerate(names)}
    reflectance = {r.name: r.reflectance for r in points.references}
    passes: dict[str, list[NDArray[np.float64]]] = {}
    for reading, ratio in zip(prepared.readings, prepared.panel_ratio, strict=True):
        passes.setdefault(reading.panel, []).append(reading.signal / ratio)
    panel_s = np.array([r.time_s for r in prepared.readings])
    line_s = _all_times(prepared)
    below, above = _outside(prepared)
    known = line_s[np.isfinite(line_s)]
    flown = dt.datetime.fromtimestamp(known[0], dt.UTC).date() if known.size else None
    return [
        fit.panel_samples(
            {f"{r.panel} in {r.cube}": r.pixels for r in prepared.readings}, limits=limits
        ),
        fit.panel_uniformity({r.panel: r.uniformity for r in prepared.readings}, limits=limits),
        fit.panel_order(signal, reflectance, limits=limits),
        fit.panel_ratio(signal, reflectance, _offset(prepared), limits=limits),
        fit.panel_span(below, above, limits=limits),
        fit.panel_repeat({n: p for n, p in passes.items() if len(p) > 1}, limits=limits),
        *_unconfirmed(prepared, limits),
        fit.panel_age(line_s, panel_s, cosine_change=_cosine_change(prepared), limits=limits),
        fit.certificate_cover(
            np.any([r.covered for r in points.references if r.use == "fit"], axis=0),
            wavelength_nm=prepared.cubes[0].wavelength_nm,
            limits=limits,
        ),
        fit.certificate_age({p.name: p.measured for p in config.panel}, flown, limits=limits),
    ]


def _unconfirmed(prepared: Preparation, limits: Limits) -> list[Check]:
    """A row for each pass over a panel that its region promised and the image did not show."""
    rows = []
    for one in unconfirmed(
        prepared.config, prepared.cubes, prepared.times, prepared.track, prepared.readings
    ):
        (a, b), (c, d) = one.lines, one.samples
        subject = f"{one.panel} in {one.cube}"
        says = (
            f"{subject}: the track expects it at lines {a} to {b} samples {c} to {d}, where the "
            "image does not confirm it; this pass is left out"
        )
        do = "Look at the strip there; if it shows the panel, give its window"
        rows.append(not_checked(limits, "panel-repeat", says, subject=subject, do=do))
    return rows


def _usable(signal: Array, usable: NDArray[np.bool_]) -> Array:
    return np.where(usable, signal, np.nan)


def _offset(prepared: Preparation) -> Array | None:
    """The fitted offset; None where the line is a gain alone."""
    return prepared.line.offset if len(prepared.line.panels) > 1 else None


def _outside(prepared: Preparation) -> tuple[float | None, float | None]:
    """Shares of the thin scene lines' spectra below and above the fit's panels."""
    line = prepared.line
    spectra = np.concatenate([s.thin for s in prepared.scenes])
    value = line.offset + line.gain * spectra
    known = np.isfinite(value)
    if not known.any():
        return None, None
    with np.errstate(invalid="ignore"):
        return (
            float((value < line.low)[known].mean()),
            float((value > line.high)[known].mean()),
        )


def _cosine_change(prepared: Preparation) -> float | None:
    if prepared.track is None:
        return None
    panel_s = np.array([r.time_s for r in prepared.readings])
    line_s = _all_times(prepared)[::50]
    where = float(np.nanmean(prepared.track.latitude)), float(np.nanmean(prepared.track.longitude))
    change = geometry.sun_cosine_change(line_s, panel_s, *where)
    return change if math.isfinite(change) else None


def _fit(prepared: Preparation, limits: Limits) -> list[Check]:
    line, points = prepared.line, prepared.points
    of_fit, of_check = points.of("fit"), points.of("check")
    residual = np.where(line.used, line.residual, np.nan)
    signal = {
        r.name: _usable(of_fit.signal[i], of_fit.usable[i]) for i, r in enumerate(of_fit.references)
    }
    certified = {r.name: r.reflectance for r in of_fit.references}
    predicted: dict[str, Array] = {}
    if len(of_fit.references) >= 3:
        error = leave_one_out(of_fit.references, of_fit.signal, of_fit.uncertainty, of_fit.usable)
        predicted = {r.name: r.reflectance + error[i] for i, r in enumerate(of_fit.references)}
    uncertainty = {
        r.name: np.hypot(r.uncertainty, line.gain * of_fit.uncertainty[i])
        for i, r in enumerate(of_fit.references)
    }
    rest = without_each(points.references, points.signal, points.uncertainty, points.usable)
    rows = [
        fit.fit_residual(
            residual,
            line.panels,
            line.degrees_of_freedom,
            wavelength_nm=prepared.cubes[0].wavelength_nm,
            limits=limits,
        ),
        fit.fit_consistency(
            line.chi_square,
            line.degrees_of_freedom,
            without={r.name: float(rest[i]) for i, r in enumerate(points.references)},
            limits=limits,
        ),
        fit.fit_offset(line.offset, fitted=len(line.panels) > 1, limits=limits),
        fit.fit_curvature(signal, certified, uncertainty, limits=limits),
        fit.leave_one_out(predicted, certified, limits=limits),
    ]
    for i, reference in enumerate(of_check.references):
        value, u = predict(
            line, np.where(of_check.usable[i], of_check.signal[i], np.nan), of_check.uncertainty[i]
        )
        expanded = 2 * np.hypot(u, reference.uncertainty)
        rows.append(
            fit.check_panel(reference.name, value, reference.reflectance, expanded, limits=limits)
        )
    if not of_check.references:
        rows.append(fit.check_panel("", None, None, limits=limits))
    return rows


def _light(prepared: Preparation, limits: Limits) -> list[Check]:
    log, method = prepared.log, prepared.config.calibration.illumination
    corrected = method != "constant"
    line_s = _all_times(prepared)
    irradiance: Array | None = None
    if log is not None:
        inside = np.isfinite(line_s) & (line_s >= log.time_s[0]) & (line_s <= log.time_s[-1])
        irradiance = np.interp(line_s[inside], log.time_s, log.irradiance)
        irradiance = irradiance if irradiance.size else None
    elif corrected:
        irradiance = np.concatenate([prepared.illumination[c.name].ratio for c in prepared.cubes])
    else:
        level, _ = pass_levels(list(prepared.readings))
        level = level[np.isfinite(level)]
        irradiance = level if level.size > 1 else None
    latitude, longitude = (None, None)
    elevation = None
    if prepared.track is not None:
        latitude = float(np.nanmean(prepared.track.latitude))
        longitude = float(np.nanmean(prepared.track.longitude))
        some = line_s[np.isfinite(line_s)]
        if some.size:
            ends = np.array([some.min(), some.max()])
            elevation = geometry.sun_elevation(ends, latitude, longitude)
    return [
        light.illumination(irradiance, corrected=corrected, limits=limits),
        light.illumination_steps(
            line_s,
            None if log is None else log.time_s,
            None if log is None else log.irradiance,
            limits=limits,
        ),
        light.sun_elevation(elevation, limits=limits),
    ]


def _flight(prepared: Preparation, limits: Limits) -> list[Check]:
    config, cubes = prepared.config, prepared.cubes
    tracks = (
        {c.name: cube_track(prepared.track, prepared.times[c.name]) for c in cubes}
        if prepared.track is not None
        else {}
    )
    roll = pitch = panel_roll = panel_pitch = None
    if tracks:
        roll = np.concatenate([t.roll_deg for t in tracks.values()])
        pitch = np.concatenate([t.pitch_deg for t in tracks.values()])
        over = [(tracks[r.cube], slice(*r.lines)) for r in prepared.readings]
        panel_roll = float(np.mean([t.roll_deg[part].mean() for t, part in over]))
        panel_pitch = float(np.mean([t.pitch_deg[part].mean() for t, part in over]))
    share, holes = _coverage(prepared)
    return [
        light.along_track(
            along_track_ratios(along_track_lines(config, cubes, prepared.times, tracks)),
            limits=limits,
        ),
        light.attitude(roll, pitch, panel_roll, panel_pitch, limits=limits),
        light.coverage(share, holes, limits=limits),
        light.sensor_temperature(
            np.array([c.settings.sensor_temperature_c for c in cubes]), limits=limits
        ),
    ]


def _coverage(prepared: Preparation) -> tuple[float | None, int | None]:
    """Share of the survey polygon seen and number of gaps; None where it cannot be known."""
    config = prepared.config
    if prepared.track is None:
        return None, None
    survey = prepared.regions.get(config.flight.survey)
    if survey is None or survey.geom_type != "Polygon":
        return None, None
    ring = np.asarray(survey.exterior.coords)[:-1]
    outlines = []
    for capture in prepared.cubes:
        at = cube_track(prepared.track, prepared.times[capture.name])
        found = positions(config, capture, at)
        if found is not None:
            outline = geometry.footprint(geometry.GroundPositions(found.latitude, found.longitude))
            outlines.append(outline)
    if not outlines:
        return None, None
    return geometry.coverage(outlines, ring), len(geometry.gaps(outlines, ring))


def _spectrum(prepared: Preparation, limits: Limits) -> list[Check]:
    """The O2-A checks, on the mean signal of all thin lines."""
    capture = prepared.cubes[0]
    mean = np.mean([s.mean for s in prepared.scenes], axis=0)
    mean = np.where(prepared.bad.any, np.nan, mean)
    with np.errstate(invalid="ignore"):
        whole = np.nanmean(mean, axis=1) if np.isfinite(mean).any(axis=1).all() else mean[:, 0]
    shift, error = spectrum.o2a_shift(capture.wavelength_nm, capture.fwhm_nm, whole)
    groups, group_errors = spectrum.smile(
        capture.wavelength_nm, capture.fwhm_nm, mean, min(_SMILE_GROUPS, capture.samples)
    )
    at = int(np.argmin(np.abs(capture.wavelength_nm - 760.5)))
    fwhm_nm = float(capture.fwhm_nm[at])
    return [
        spectral.wavelength_shift(float(shift), float(error), fwhm_nm, limits=limits),
        spectral.smile(groups, group_errors, fwhm_nm, limits=limits),
    ]
