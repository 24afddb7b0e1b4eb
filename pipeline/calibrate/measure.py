"""What is measured on the raw files before any certificate is looked at."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.darks import CHUNK_FRAMES, dark_of, measure_dark, overall_noise
from pipeline.calibrate.panels import readings as panels
from pipeline.calibrate.scene_sample import SceneSample, pooled, sample_scene, without
from pipeline.config.flight import Config, Window
from pipeline.progress.protocol import Progress
from pipeline.radiometry import elements
from pipeline.radiometry.flat import flat_field, response_spread
from pipeline.radiometry.noise import PhotonTransfer, difference_variance, photon_transfer
from pipeline.read.cubes import RawCube
from pipeline.read.inventory import Inventory
from pipeline.read.tables import line_times_from_start, read_line_times
from pipeline.records import (
    Array,
    Array32,
    BadElements,
    Capture,
    DarkCapture,
    FlatField,
    LineTimes,
    Mask,
    PanelReading,
)

T = TypeVar("T")
R = TypeVar("R")

#: Captures in hand at once; each holds one chunk of its lines.
AT_ONCE = 2

#: Lines of the flat capture that photon transfer looks at.
FLAT_LINES = 200
#: Scene lines from which a deviation too small tells a stuck element: among fewer it is chance.
LEAST_LINES = 8


@dataclass(frozen=True, eq=False)
class Measured:
    """Darks, elements, flat, scene and panels of a flight, in counts."""

    darks: tuple[DarkCapture, ...]
    noise: Array32  # (band, sample) [count]
    bad: BadElements
    flat: FlatField
    flat_signal: Array | None  # (band, sample) [count], mean of the flat over its own response
    scenes: tuple[SceneSample, ...]
    panel_profiles: Mapping[str, Array]  # by panel: (band, sample of the core), mean over lines
    readings: tuple[PanelReading, ...]
    transfer: PhotonTransfer
    raw_digests: Mapping[str, str]  # SHA-256 of the darks' and the flat's raw files, by stem


def measure(
    config: Config,
    inventory: Inventory,
    times: Mapping[str, LineTimes],
    context: panels.Context,
    progress: Progress,
) -> Measured:
    """Read the darks, the flat, the panels and a thin part of each strip."""
    cubes = inventory.cubes
    captures = {c.name: c for c in cubes}
    windows = panels.windows_in_config(config, captures, inventory.refused)
    digests: dict[str, str] = {}

    def dark_measured(capture: Capture) -> tuple[DarkCapture, BadElements]:
        measured, digests[capture.name] = measure_dark(capture, _middle_s(config, capture), done)
        return measured, elements.bad_in_dark(measured)

    with (
        progress.stage("dark", sum(d.lines for d in inventory.darks)) as done,
        ThreadPoolExecutor(AT_ONCE) as threads,
    ):
        made = list(threads.map(dark_measured, inventory.darks))
    darks = [measured for measured, _ in made]
    noise = overall_noise(darks)
    dark_bad = elements.merge(*(bad for _, bad in made))

    flat, flat_mean, flat_points = _no_flat(noise.shape), None, None
    if inventory.flat is not None:
        flat, flat_mean, flat_points, digests[inventory.flat.name] = _flat(
            config, inventory.flat, tuple(darks), noise, dark_bad.any
        )
    cube_darks = {c.name: dark_of(tuple(darks), times[c.name], c) for c in cubes}

    def signal_of(
        capture: Capture, lines: NDArray[np.intp], counts: NDArray[np.generic]
    ) -> Array32:
        at = cube_darks[capture.name]
        level = at.middle + at.weight[lines][:, None, None] * at.change
        return ((counts.astype(np.float32) - level) / flat.response).astype(np.float32)

    saturation = config.sensor.saturation_counts
    scenes = _each(progress, "scene", cubes, lambda c: sample_scene(c, signal_of, saturation))
    if any(not isinstance(place, Window) for panel in config.panel for place in panel.where):
        # Image processing is loaded for flights whose panels are sought alone.
        from pipeline.calibrate.panels.image_search import find_windows

        windows += find_windows(
            config,
            cubes,
            times,
            context.track,
            context.references,
            signal_of,
            dark_bad.any,
            saturation,
        )
    panel_lines = _each(
        progress,
        "panels",
        windows,
        lambda w: panels.read_lines(w, captures[w.cube], signal_of),
    )
    bad = _with_light(dark_bad, scenes, panel_lines, flat.response)
    flat = _measuring(flat, bad.any)
    readings = [
        panels.read_core(
            lines,
            times[lines.window.cube],
            bad=bad.any,
            dark_uncertainty=cube_darks[lines.window.cube].uncertainty,
            saturation_counts=saturation,
        )
        for lines in panel_lines
    ]
    transfer = _transfer(config, panel_lines, readings, bad.any, noise, flat, flat_points)
    if inventory.flat is None:
        k = config.sensor.electrons_per_count or transfer.electrons_per_count
        flat = _unmeasured(bad.any, panel_lines, readings, noise, k)
    return Measured(
        darks=tuple(darks),
        noise=noise,
        bad=bad,
        flat=flat,
        flat_signal=None
        if flat_mean is None
        else np.where(bad.any, np.nan, flat_mean / flat.response),
        scenes=tuple(scenes),
        panel_profiles=_profiles(panel_lines, bad.any),
        readings=tuple(readings),
        transfer=transfer,
        raw_digests=digests,
    )


def _each(progress: Progress, name: str, items: Sequence[T], work: Callable[[T], R]) -> list[R]:
    """`work` on each item of a stage, in their order."""
    made = []
    with progress.stage(name, len(items)) as done, ThreadPoolExecutor(AT_ONCE) as threads:
        for one in threads.map(work, items):
            made.append(one)
            done(1)
    return made


def _middle_s(config: Config, capture: Capture) -> float:
    """Mid time of a dark capture, from its own table of line times or from its header."""
    template = config.flight.line_times
    if template is not None:
        name = template.replace("{stem}", capture.name)
        for folder in (config.path.absolute().parent, config.flight.folder):
            if (folder / name).is_file():
                return float(np.mean(read_line_times(folder / name, capture.lines).time_s))
    period_s = capture.settings.frame_period_ms / 1000
    length_s = capture.lines * period_s if math.isfinite(period_s) else 0.0
    return capture.settings.start_s + length_s / 2


def _no_flat(shape: tuple[int, ...]) -> FlatField:
    return FlatField(np.ones(shape, np.float32), np.zeros(shape, np.float32))


def _flat(
    config: Config,
    capture: Capture,
    darks: tuple[DarkCapture, ...],
    noise: Array32,
    bad: Mask,
) -> tuple[FlatField, Array, tuple[Array, Array], str]:
    """Relative response from the flat capture, its mean, photon transfer points and SHA-256."""
    digest = hashlib.sha256()
    times = line_times_from_start(capture.settings, capture.lines)
    at = dark_of(darks, times, capture)
    total = np.zeros(noise.shape)
    squares = np.zeros(noise.shape)
    with RawCube(capture) as raw:
        for start, counts in raw.blocks(CHUNK_FRAMES, digest=digest):
            net = counts.astype(np.float64) - at.middle
            raw.give_back(start)
            total += net.sum(axis=0)
            squares += (net * net).sum(axis=0)
        some = raw.lines(0, min(FLAT_LINES, capture.lines))
    mean = total / capture.lines
    spread = np.sqrt(np.maximum(squares / capture.lines - mean * mean, 0))
    net = some.astype(np.float64) - at.middle
    net[np.broadcast_to(bad, net.shape) | (some >= config.sensor.saturation_counts)] = np.nan
    good = ~bad & (mean < 0.98 * config.sensor.saturation_counts)
    level = _band_mean(mean, good)
    return (
        flat_field(mean, np.maximum(spread, noise), capture.lines, bad),
        mean,
        (level, difference_variance(net)),
        digest.hexdigest(),
    )


def _band_mean(values: Array, good: Mask) -> Array:
    """Mean over the good samples of each band; 0 where there is none."""
    return np.asarray(np.where(good, values, 0).sum(axis=1) / np.maximum(good.sum(axis=1), 1))


def _measuring(flat: FlatField, bad: Mask) -> FlatField:
    """The flat with response 1 at bad elements: what a dead one has is no response."""
    return FlatField(np.where(bad, 1, flat.response), np.where(bad, 0, flat.uncertainty))


def _unmeasured(
    bad: Mask,
    lines: list[panels.PanelLines],
    readings: list[PanelReading],
    noise: Array32,
    electrons_per_count: float,
) -> FlatField:
    """Response 1 with the uncertainty that the panels' own elements show."""
    profiles, variances = [], []
    for part, reading in zip(lines, readings, strict=True):
        across = slice(*reading.samples)
        mean = part.signal[:, :, across].mean(axis=0, dtype=np.float64)
        shot = np.maximum(mean, 0) / electrons_per_count if electrons_per_count > 0 else 0.0
        variances.append((noise[:, across].astype(np.float64) ** 2 + shot) / len(part.signal))
        clear = ~bad[:, across] & (reading.saturated_share == 0)[:, None]
        profiles.append(np.where(clear, mean, np.nan))
    spread = response_spread(profiles, variances)
    return FlatField(np.ones(bad.shape, np.float32), np.where(bad, 0, spread).astype(np.float32))


def _with_light(
    dark_bad: BadElements,
    scenes: list[SceneSample],
    lines: list[panels.PanelLines],
    response: Array32,
) -> BadElements:
    """Bad elements of the darks and, from scene and panel lines, those that see no light.

    The division by the response is undone: a dead element over its own response looks alive.
    """
    means, deviation = [], None
    if scenes:
        mean, spread = pooled(scenes)
        means.append(mean)
        if sum(scene.lines.size for scene in scenes) >= LEAST_LINES:
            deviation = without(spread * response, dark_bad.any)
    for part in lines:
        means.append(part.signal.mean(axis=0, dtype=np.float64))
    mean = without(np.mean(means, axis=0) * response, dark_bad.any)
    dead, stuck = elements.bad_in_light(mean, temporal_sd=deviation)
    none = np.zeros_like(dead)
    return elements.merge(dark_bad, BadElements(hot=none, dead=dead, stuck=stuck, noisy=none))


def _transfer(
    config: Config,
    lines: list[panels.PanelLines],
    readings: list[PanelReading],
    bad: Mask,
    noise: Array32,
    flat: FlatField,
    flat_points: tuple[Array, Array] | None,
) -> PhotonTransfer:
    saturation = config.sensor.saturation_counts
    parts = [
        panels.transfer_points(
            part,
            reading,
            bad=bad,
            noise=noise,
            response=flat.response,
            saturation_counts=saturation,
        )
        for part, reading in zip(lines, readings, strict=True)
        if reading.lines[1] - reading.lines[0] >= 2
    ]
    mean = [p.mean for p in parts]
    variance = [p.variance for p in parts]
    dark_variance = [p.dark_variance for p in parts]
    if flat_points is not None:
        mean.append(flat_points[0])
        variance.append(flat_points[1])
        dark_variance.append(_band_mean(noise.astype(np.float64) ** 2, ~bad))
    if not mean:
        return PhotonTransfer(math.nan, math.nan, math.nan)
    return photon_transfer(
        np.concatenate(mean),
        np.concatenate(variance),
        np.concatenate(dark_variance),
        saturation_counts=saturation,
    )


def _profiles(lines: list[panels.PanelLines], bad: Mask) -> dict[str, Array]:
    """Each panel's mean over lines, NaN at bad elements; of several passes the last."""
    found = {}
    for part in lines:
        across = slice(*part.window.samples)
        mean = part.signal[:, :, across].mean(axis=0, dtype=np.float64)
        found[part.window.panel] = np.where(bad[:, across], np.nan, mean)
    return found
