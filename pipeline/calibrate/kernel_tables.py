"""From a preparation to what the kernel and the writer take for one cube."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.cube import CubeTask
from pipeline.calibrate.cube_variables import band_variables, element_variables, line_variables
from pipeline.calibrate.darks import CubeDark
from pipeline.calibrate.detector import Detector
from pipeline.calibrate.measure import Measured
from pipeline.calibrate.prepare import Preparation
from pipeline.config.flight import Config
from pipeline.flags import QualityFlag, quality_mask
from pipeline.radiometry.equation import (
    SMOOTH_RESPONSE,
    fold_element,
    fold_ratio,
    noise_variance,
)
from pipeline.radiometry.kernel import KernelTable, LineTable
from pipeline.radiometry.preview import FLIGHT_BYTES, preview_plan
from pipeline.radiometry.squares import square_plan
from pipeline.records import (
    Array,
    Array32,
    Capture,
    DarkCapture,
    EmpiricalLine,
    Illumination,
)
from pipeline.write.product import CubeProduct, cube_product
from pipeline.write.schema import Attributes

#: A dark level that may have moved by this much [count] outside its captures is uncertain.
DARK_UNCERTAIN_COUNTS = 1.0


def _f32(values: NDArray[np.floating]) -> Array32:
    return np.ascontiguousarray(values, dtype=np.float32)


def kernel_table(
    config: Config, detector: Detector, fit: EmpiricalLine, dark: CubeDark, bands: slice
) -> KernelTable:
    """Everything a cube's samples are calibrated with, for the bands that are written.

    A band that is not calibrated has gain 1 and offset 0 here; all its samples carry
    `no_calibration`, which is always blank.
    """
    element = fold_element(
        dark_noise=detector.noise[bands].astype(np.float64),
        dark_uncertainty=dark.uncertainty[bands].astype(np.float64),
        response=detector.flat.response[bands].astype(np.float64),
        response_uncertainty=detector.flat.uncertainty[bands],
        electrons_per_count=detector.electrons_per_count,
    )
    bad = detector.bad.any[bands]
    flags = np.where(bad, QualityFlag.BAD_ELEMENT, 0)
    flags |= np.where(fit.calibrated[bands], 0, QualityFlag.NO_CALIBRATION)[:, None]

    def band(values: NDArray[np.float64], where_not: float) -> Array32:
        return _f32(np.where(fit.calibrated, values, where_not)[bands])

    interpolate = config.quality.interpolate_bad_elements
    patches = bad_patches(bad if interpolate else np.zeros_like(bad))
    if interpolate:
        flags = flags | np.where(bad & ~_patched(bad, patches), QualityFlag.NO_CALIBRATION, 0)
    return KernelTable(
        dark=_f32(dark.middle[bands]),
        dark_change=_f32(dark.change[bands]),
        inverse_response=_f32(element.inverse_response),
        fixed_variance=_f32(element.fixed_variance),
        read_variance=_f32(element.read_variance),
        shot=_f32(element.shot),
        response_variance=_f32(element.response_variance),
        element_flags=np.ascontiguousarray(flags, dtype=np.uint8),
        gain=band(fit.gain, 1.0),
        offset=band(fit.offset, 0.0),
        gain_variance=band(fit.gain_variance, 0.0),
        offset_variance=band(fit.offset_variance, 0.0),
        covariance=band(fit.covariance, 0.0),
        low=band(fit.low, -math.inf),
        high=band(fit.high, math.inf),
        patch_band=patches.band,
        patch_sample=patches.sample,
        patch_left=patches.left,
        patch_right=patches.right,
        patch_weight=patches.weight,
        saturation_counts=config.sensor.saturation_counts,
        low_signal_snr=config.quality.low_signal_snr,
        blank_mask=quality_mask(config.quality.blanked),
    )


class Patches(NamedTuple):
    """How bad elements are interpolated, (bad element,) each: see `KernelTable.patch_*`."""

    band: NDArray[np.int32]
    sample: NDArray[np.int32]
    left: NDArray[np.int32]
    right: NDArray[np.int32]
    weight: Array32


def bad_patches(bad: NDArray[np.bool_]) -> Patches:
    """How bad elements are interpolated across samples, in order of their bands.

    At the swath's edge the one good neighbour serves alone. A band with no good sample has none.
    """
    rows: list[tuple[int, int, int, int, float]] = []
    for b in np.flatnonzero(bad.any(axis=1)):
        good = np.flatnonzero(~bad[b])
        if not good.size:
            continue
        for s in np.flatnonzero(bad[b]):
            place = int(np.searchsorted(good, s))
            left = int(good[max(place - 1, 0)])
            right = int(good[min(place, good.size - 1)])
            weight = (s - left) / (right - left) if right > left else 0.0
            rows.append((int(b), int(s), left, right, min(max(weight, 0.0), 1.0)))
    table = np.array(rows, np.float64).reshape(-1, 5)
    whole = [np.ascontiguousarray(table[:, i], dtype=np.int32) for i in range(4)]
    return Patches(whole[0], whole[1], whole[2], whole[3], _f32(table[:, 4]))


def _patched(bad: NDArray[np.bool_], patches: Patches) -> NDArray[np.bool_]:
    done = np.zeros_like(bad)
    done[patches.band, patches.sample] = True
    return done


def line_table(light: Illumination, dark: CubeDark, possible_drift: Array) -> LineTable:
    """What changes from line to line of a cube; `possible_drift` as from that function."""
    uncertain = dark.extrapolated & (possible_drift > DARK_UNCERTAIN_COUNTS)
    ratio = fold_ratio(light.ratio, light.uncertainty)
    return LineTable(
        dark_weight=_f32(dark.weight),
        inverse_ratio=_f32(ratio.inverse),
        ratio_variance=_f32(ratio.relative_variance),
        line_flags=np.where(uncertain, QualityFlag.DARK_UNCERTAIN, 0).astype(np.uint8),
    )


def possible_drift(darks: Sequence[DarkCapture], time_s: Array) -> Array:
    """How far the dark level may have moved at lines outside the captures, (line,) [count].

    With several captures the fastest rate between two of them is taken to go on; one alone
    cannot tell, and gives 0.
    """
    known = sorted((d.time_s, float(np.nanmean(d.mean))) for d in darks if math.isfinite(d.time_s))
    if len(known) < 2:
        return np.zeros(time_s.size)
    when, level = (np.array(v) for v in zip(*known, strict=True))
    rate = np.abs(np.diff(level) / np.maximum(np.diff(when), 1.0)).max()
    distance = np.maximum(np.maximum(when[0] - time_s, time_s - when[-1]), 0.0)
    return np.asarray(np.nan_to_num(rate * distance))


def written_bands(prepared: Preparation) -> slice:
    """The bands that are written: all, or without the noisy ends where the config asks."""
    bands = prepared.fit.empirical_line.calibrated.size
    if not prepared.config.quality.trim_band_ends:
        return slice(0, bands)
    clear = np.flatnonzero(median_snr(prepared.measured) >= 3)
    return slice(int(clear[0]), int(clear[-1]) + 1) if clear.size else slice(0, bands)


def median_snr(measured: Measured) -> Array:
    """Median scene signal over its own noise, (band,)."""
    signal = np.median(np.stack([s.median for s in measured.scenes]), axis=0)
    noise = np.nanmedian(measured.detector.noise.astype(np.float64), axis=1)
    variance = noise_variance(signal, noise, 1.0, measured.detector.electrons_per_count)
    return np.asarray(signal / np.maximum(np.sqrt(variance), 1e-12))


@dataclass(frozen=True, eq=False)
class Positions:
    """Where a cube's samples lie, (line, sample), and its camera was, (line,)."""

    latitude: Array  # [degree]
    longitude: Array  # [degree]
    camera_latitude: Array  # [degree]
    camera_longitude: Array  # [degree]
    camera_height: Array  # [m] above the ground


def cube_task(
    prepared: Preparation,
    capture: Capture,
    path: Path,
    attributes: Attributes,
    positions: Positions | None = None,
) -> CubeTask:
    """All that a worker needs to calibrate a cube."""
    config, recording, detector = prepared.config, prepared.recording, prepared.measured.detector
    bands, times = written_bands(prepared), recording.times[capture.name]
    dark = detector.dark_of(times, capture)
    light = prepared.light.by_cube[capture.name].of_bands(bands)
    return CubeTask(
        capture=capture,
        bands=bands,
        product=_product(prepared, capture, dark, light, attributes, positions),
        table=kernel_table(config, detector, prepared.fit.empirical_line, dark, bands),
        lines=line_table(light, dark, possible_drift(detector.darks, times.time_s)),
        path=path,
        format=config.output.format,
        preview=preview_plan(
            capture.wavelength_nm[bands],
            capture.lines,
            capture.samples,
            budget_bytes=FLIGHT_BYTES / len(recording.cubes),
        ),
        squares=square_plan(capture.wavelength_nm[bands].size, capture.samples),
    )


def _product(
    prepared: Preparation,
    capture: Capture,
    dark: CubeDark,
    light: Illumination,
    attributes: Attributes,
    positions: Positions | None,
) -> CubeProduct:
    bands, detector = written_bands(prepared), prepared.measured.detector
    times = prepared.recording.times[capture.name]
    shown = replace(
        capture,
        bands=len(range(*bands.indices(capture.wavelength_nm.size))),
        wavelength_nm=capture.wavelength_nm[bands],
        fwhm_nm=capture.fwhm_nm[bands],
    )
    values = {
        **line_variables(times, light, dark),
        **band_variables(capture, prepared.fit.empirical_line, bands),
        **element_variables(detector, dark, bands),
        "electrons_per_count": np.array(detector.electrons_per_count, np.float64),
    }
    if positions is not None:
        values |= vars(positions)
    return cube_product(
        shown,
        values,
        uncertainty=prepared.config.output.uncertainty,
        attributes=attributes,
        terms={"relative_response": SMOOTH_RESPONSE} if detector.flat.smooth else None,
    )
