"""From a preparation to what the kernel and the writer take for one cube."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.cube import CubeTask
from pipeline.calibrate.darks import CubeDark
from pipeline.calibrate.prepare import Preparation
from pipeline.flags import LineFlag, QualityFlag, quality_mask
from pipeline.radiometry.kernel import KernelTable, LineTable
from pipeline.radiometry.preview import FLIGHT_BYTES, preview_plan
from pipeline.records import Array32, Capture, EmpiricalLine, FlatField
from pipeline.write.attributes import Attributes
from pipeline.write.product import CubeProduct, cube_product

#: A dark level that may have moved by this much [count] outside its captures is uncertain.
DARK_UNCERTAIN_COUNTS = 1.0


def _f32(values: NDArray[np.floating]) -> Array32:
    return np.ascontiguousarray(values, dtype=np.float32)


def kernel_table(prepared: Preparation, dark: CubeDark, bands: slice) -> KernelTable:
    """Everything a cube's samples are calibrated with, for the bands that are written.

    A band that is not calibrated has gain 1 and offset 0 here; all its samples carry
    `no_calibration`, which is always blank.
    """
    config, line = prepared.config, prepared.line
    response = prepared.flat.response[bands].astype(np.float64)
    noise2 = prepared.noise[bands].astype(np.float64) ** 2
    k = prepared.electrons_per_count
    shot = 1 / (k * response) if math.isfinite(k) else np.zeros_like(response)
    bad = prepared.bad.any[bands]
    flags = np.where(bad, QualityFlag.BAD_ELEMENT, 0)
    flags |= np.where(line.calibrated[bands], 0, QualityFlag.NO_CALIBRATION)[:, None]

    def band(values: NDArray[np.float64], where_not: float) -> Array32:
        return _f32(np.where(line.calibrated, values, where_not)[bands])

    patches = bad_patches(bad) if config.quality.interpolate_bad_elements else None
    blank = quality_mask(config.quality.blank)
    if patches is not None:
        blank &= ~int(QualityFlag.BAD_ELEMENT)
        flags = flags | np.where(bad & ~_patched(bad, patches), QualityFlag.NO_CALIBRATION, 0)
    nothing = np.zeros(0, np.int32)
    patch_arrays = patches or (nothing, nothing, nothing, nothing, np.zeros(0, np.float32))
    return KernelTable(
        _f32(dark.middle[bands]),
        _f32(dark.change[bands]),
        _f32(1 / response),
        _f32((noise2 + dark.uncertainty[bands].astype(np.float64) ** 2) / response**2),
        _f32(noise2 / response**2),
        _f32(shot),
        _f32((prepared.flat.uncertainty[bands] / response) ** 2),
        np.ascontiguousarray(flags, dtype=np.uint8),
        band(line.gain, 1.0),
        band(line.offset, 0.0),
        band(line.gain_variance, 0.0),
        band(line.offset_variance, 0.0),
        band(line.covariance, 0.0),
        band(line.low, -math.inf),
        band(line.high, math.inf),
        *patch_arrays,
        saturation_counts=config.sensor.saturation_counts,
        low_signal_snr=config.quality.low_signal_snr,
        blank_mask=blank,
    )


Patches = tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32], NDArray[np.int32], Array32]


def bad_patches(bad: NDArray[np.bool_]) -> Patches:
    """How bad elements are interpolated across samples: see `KernelTable.patch_*`.

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
    return whole[0], whole[1], whole[2], whole[3], _f32(table[:, 4])


def _patched(bad: NDArray[np.bool_], patches: Patches) -> NDArray[np.bool_]:
    done = np.zeros_like(bad)
    done[patches[0], patches[1]] = True
    return done


def line_table(prepared: Preparation, capture: Capture, dark: CubeDark) -> LineTable:
    """What changes from line to line of a cube."""
    light = prepared.illumination[capture.name]
    uncertain = dark.extrapolated & (_possible_drift(prepared, capture) > DARK_UNCERTAIN_COUNTS)
    return LineTable(
        _f32(dark.weight),
        _f32(1 / light.ratio),
        _f32((light.uncertainty / light.ratio) ** 2),
        np.where(uncertain, QualityFlag.DARK_UNCERTAIN, 0).astype(np.uint8),
    )


def _possible_drift(prepared: Preparation, capture: Capture) -> NDArray[np.float64]:
    """How far the dark level may have moved at lines outside the captures, (line,) [count].

    With several captures the fastest rate between two of them is taken to go on; one alone
    cannot tell, and gives 0.
    """
    time_s = prepared.times[capture.name].time_s
    known = sorted(
        (d.time_s, float(np.nanmean(d.mean))) for d in prepared.darks if math.isfinite(d.time_s)
    )
    if len(known) < 2:
        return np.zeros(time_s.size)
    when, level = (np.array(v) for v in zip(*known, strict=True))
    rate = np.abs(np.diff(level) / np.maximum(np.diff(when), 1.0)).max()
    distance = np.maximum(np.maximum(when[0] - time_s, time_s - when[-1]), 0.0)
    return np.asarray(np.nan_to_num(rate * distance))


def line_flags(prepared: Preparation, capture: Capture) -> NDArray[np.uint8]:
    """The `line_flag` variable of a cube."""
    extrapolated = prepared.illumination[capture.name].extrapolated
    return np.asarray(
        prepared.times[capture.name].flags
        | np.where(extrapolated, LineFlag.ILLUMINATION_EXTRAPOLATED, 0).astype(np.uint8)
    )


def written_bands(prepared: Preparation) -> slice:
    """The bands that are written: all, or without the noisy ends where the config asks."""
    bands = prepared.line.calibrated.size
    if not prepared.config.quality.trim_band_ends:
        return slice(0, bands)
    clear = np.flatnonzero(median_snr(prepared) >= 3)
    return slice(int(clear[0]), int(clear[-1]) + 1) if clear.size else slice(0, bands)


def median_snr(prepared: Preparation) -> NDArray[np.float64]:
    """Median scene signal over its own noise, (band,)."""
    signal = np.median(np.stack([s.median for s in prepared.scenes]), axis=0)
    noise = np.nanmedian(prepared.noise.astype(np.float64), axis=1)
    k = prepared.electrons_per_count
    shot = np.maximum(signal, 0) / k if math.isfinite(k) else 0.0
    return np.asarray(signal / np.maximum(np.sqrt(noise**2 + shot), 1e-12))


@dataclass(frozen=True, eq=False)
class Positions:
    """Where a cube's samples lie, (line, sample) [degree]."""

    latitude: NDArray[np.float64]
    longitude: NDArray[np.float64]


def cube_task(
    prepared: Preparation,
    capture: Capture,
    path: Path,
    attributes: Attributes,
    positions: Positions | None = None,
) -> CubeTask:
    """All that a worker needs to calibrate a cube."""
    bands = written_bands(prepared)
    dark = prepared.dark_of(capture)
    config = prepared.config
    return CubeTask(
        capture=capture,
        bands=bands,
        product=_product(prepared, capture, dark, bands, attributes, positions),
        table=kernel_table(prepared, dark, bands),
        lines=line_table(prepared, capture, dark),
        path=path,
        format=config.output.format,
        preview=preview_plan(
            capture.wavelength_nm[bands],
            capture.lines,
            capture.samples,
            budget_bytes=FLIGHT_BYTES / len(prepared.cubes),
        ),
    )


def _product(
    prepared: Preparation,
    capture: Capture,
    dark: CubeDark,
    bands: slice,
    attributes: Attributes,
    positions: Positions | None,
) -> CubeProduct:
    shown = replace(
        capture,
        bands=len(range(*bands.indices(capture.wavelength_nm.size))),
        wavelength_nm=capture.wavelength_nm[bands],
        fwhm_nm=capture.fwhm_nm[bands],
    )
    flat = FlatField(prepared.flat.response[bands], prepared.flat.uncertainty[bands])
    return cube_product(
        shown,
        prepared.times[capture.name],
        dark_mean=dark.middle[bands],
        dark_uncertainty=dark.uncertainty[bands],
        dark_change=dark.change[bands],
        dark_weight=dark.weight,
        dark_noise=prepared.noise[bands],
        flat=flat,
        line=bands_of(prepared.line, bands),
        illumination=prepared.illumination[capture.name],
        line_flag=line_flags(prepared, capture),
        electrons_per_count=prepared.electrons_per_count,
        uncertainty=prepared.config.output.uncertainty,
        positions=(positions.latitude, positions.longitude) if positions else None,
        attributes=attributes,
    )


def bands_of(line: EmpiricalLine, bands: slice) -> EmpiricalLine:
    """An empirical line restricted to some bands."""
    arrays = {n: v[..., bands] for n, v in vars(line).items() if isinstance(v, np.ndarray)}
    return replace(line, **arrays)  # type: ignore[arg-type]
