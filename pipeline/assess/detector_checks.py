"""The checks of the darks and the detector, wired to what was measured."""

from __future__ import annotations

import math

import numpy as np

from pipeline.calibrate.measure import Measured
from pipeline.calibrate.recording import Recording
from pipeline.radiometry.checks import dark, elements, light_leak
from pipeline.radiometry.checks.row import Limits
from pipeline.records import Array, Check


def detector_rows(
    recording: Recording, measured: Measured, panel_signal: Array, limits: Limits
) -> list[Check]:
    """Are the darks those of these cubes, steady and dark, and do the elements measure?

    `panel_signal` is (panel, band) [count].
    """
    detector, darks = measured.detector, measured.detector.darks
    in_order = sorted(darks, key=lambda d: (math.isnan(d.time_s), d.time_s))
    levels = {d.name: float(np.nanmean(d.mean, dtype=np.float64)) for d in in_order}
    line_s, dark_s = recording.line_s, np.array([d.time_s for d in darks])
    slope, error = _warm_up(recording, measured)
    leak = light_leak.light_leak(
        {d.name: d.mean for d in darks},
        _mean_known(panel_signal),
        scene_spectrum=_scene_spectrum(measured),
        limits=limits,
    )
    temperature = {c.name: c.settings.sensor_temperature_c for c in recording.cubes}
    return [
        dark.dark_settings(recording.inventory.darks, recording.cubes[0], limits=limits),
        dark.dark_frames({d.name: d.frames for d in darks}, limits=limits),
        dark.dark_steadiness({d.name: d.level for d in darks}, limits=limits),
        dark.dark_drift(
            levels,
            slope_count_per_s=slope,
            slope_error_count_per_s=error,
            minutes_to_farthest_line=dark.farthest_minutes(line_s, dark_s),
            lit=leak.subject if leak.verdict in ("caution", "fail") else "",
            limits=limits,
        ),
        dark.dark_age(line_s, dark_s, limits=limits),
        dark.dark_temperature(
            np.array([d.sensor_temperature_c for d in darks]), temperature, limits=limits
        ),
        leak,
        elements.dark_clipped({d.name: d.clipped for d in darks}, limits=limits),
        elements.bad_elements(detector.bad, limits=limits),
        elements.flat_sound(measured.unsound, limits=limits),
        elements.falloff(
            measured.swath,
            detector.noise.shape[1],
            flat=detector.flat_signal is not None,
            limits=limits,
        ),
        _striping(measured, limits),
    ]


def _mean_known(panel_signal: Array) -> Array:
    """Mean over the panels that measure in a band; NaN where all of them saturate."""
    known = np.isfinite(panel_signal)
    total = np.where(known, panel_signal, 0).sum(axis=0)
    return np.where(known.any(axis=0), total / np.maximum(known.sum(axis=0), 1), np.nan)


def _warm_up(recording: Recording, measured: Measured) -> tuple[float | None, float | None]:
    """Slope of a single dark capture's level and its error [count/s]; None where not known."""
    darks = measured.detector.darks
    period_s = recording.inventory.darks[0].settings.frame_period_ms / 1000
    if len(darks) != 1 or not math.isfinite(period_s):
        return None, None
    slope, error = (v / period_s for v in dark.level_slope(darks[0].level))
    return slope, error


def _scene_spectrum(measured: Measured) -> Array:
    """Mean spectrum of the strips' thin lines over the good elements, (band,) [count]."""
    mean = np.mean([s.mean for s in measured.scenes], axis=0, dtype=np.float64)
    good = ~measured.detector.bad.any
    count = good.sum(axis=1)
    total = np.where(good, mean, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _striping(measured: Measured, limits: Limits) -> Check:
    profiles = measured.panel_profiles
    if measured.detector.flat_signal is not None:
        return elements.striping(measured.detector.flat_signal, subject="flat", limits=limits)
    if not profiles:
        return elements.striping(None, limits=limits)
    # The widest panel shows most neighbours.
    name = max(profiles, key=lambda n: profiles[n].shape[1])
    return elements.striping(profiles[name], subject=name, limits=limits)
