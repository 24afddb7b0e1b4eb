"""What is measured on the raw files before any certificate is looked at."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.blocks_in_order import Helpers
from pipeline.calibrate.darks import CubeDark, dark_of, measure_dark, overall_noise
from pipeline.calibrate.detector import (
    Detector,
    FlatReading,
    bad_elements,
    no_flat,
    read_flat,
    transfer_of,
    unmeasured_response,
    where_measuring,
)
from pipeline.calibrate.panels import readings as panels
from pipeline.calibrate.panels.passes import PassReader, piles_of, profiles_of
from pipeline.calibrate.recording import Recording
from pipeline.calibrate.scene_sample import SceneSample, SignalOf, sample_scene, thin_columns
from pipeline.calibrate.swath_response import (
    scene_response,
    unseen_falloff,
    with_elements,
    with_misfit,
    with_response_error,
)
from pipeline.config.flight import Config
from pipeline.config.panel import Window
from pipeline.config.tables import LineTimesTable
from pipeline.progress.protocol import Progress
from pipeline.radiometry import elements
from pipeline.radiometry.equation import line_dark, signal_from_counts
from pipeline.radiometry.recorder import Pile
from pipeline.radiometry.response import SwathShape, swath_shape
from pipeline.read.inventory import Inventory
from pipeline.read.tables import read_line_times
from pipeline.records import (
    Array,
    Array32,
    BadElements,
    Capture,
    DarkCapture,
    Mask,
    PanelReading,
    PanelReference,
)

#: Lines that become signal together: what is computed on the way stays in the processor's cache.
LINES_AT_ONCE = 2


@dataclass(frozen=True, eq=False)
class Measured:
    """Detector, scene and panels of a flight, in counts."""

    detector: Detector
    scenes: tuple[SceneSample, ...]
    swath: SwathShape  # what the scenes show of a falloff, after the response that is used
    readings: tuple[PanelReading, ...]
    panel_profiles: Mapping[str, Array]  # by panel: (band, sample of the core), mean over lines
    panel_piles: Mapping[
        str, Pile | None
    ]  # by pass: where its core's counts gather below saturation
    unsound: Mask | None  # (band, sample) elements that the flat shows to be unsound; None without
    raw_digests: Mapping[str, str]  # SHA-256 of the darks' and the flat's raw files, by path


def measure(
    config: Config,
    recording: Recording,
    references: Sequence[PanelReference],
    progress: Progress,
    workers: int,
) -> Measured:
    """Read the darks, the flat, the panels and a thin part of each strip, on so many threads."""
    cubes, inventory, captures = recording.cubes, recording.inventory, recording.by_name
    saturation = config.sensor.saturation_counts
    windows = panels.windows_in_config(config, captures, inventory.refused)
    darks, dark_bad, digests = _darks(inventory, config.tables.line_times, progress, workers)
    noise = overall_noise(darks)
    flat_reading, dark_bad = _flat(inventory, darks, noise, dark_bad, saturation)
    if flat_reading is not None and inventory.flat is not None:
        digests[str(inventory.flat.data)] = flat_reading.sha256
    flat = no_flat(noise.shape) if flat_reading is None else flat_reading.flat
    cube_darks = {c.name: dark_of(darks, recording.times[c.name], c) for c in cubes}
    signal_of = _signal_with(cube_darks, flat.response)
    scenes = _scenes(progress, workers, cubes, signal_of, saturation)
    by_scene = config.calibration.response == "scene"
    if by_scene:
        flat = scene_response(_shape_of(scenes, dark_bad.any), dark_bad.any)
        signal_of = _signal_with(cube_darks, flat.response)
        scenes = _scenes(progress, workers, cubes, signal_of, saturation)
    windows += _found(config, recording, references, signal_of, dark_bad.any)
    lines = _panel_lines(progress, workers, windows, captures, signal_of)
    bad = bad_elements(dark_bad, scenes, lines, flat.response)
    flat = where_measuring(flat, bad.any)
    read = PassReader(recording.times, cube_darks, bad.any, noise, flat.response, saturation)
    with ThreadPoolExecutor(workers) as threads:
        shape = threads.submit(_shape_of, scenes, bad.any)
        passes = list(threads.map(read, lines))
    swath, readings = shape.result(), [one.reading for one in passes]
    transfer = transfer_of(passes, bad.any, noise, flat_reading, saturation)
    electrons = config.sensor.electrons_per_count or transfer.electrons_per_count
    smooth = flat if by_scene else unseen_falloff(swath, bad.any)
    if flat_reading is None:
        of_elements = unmeasured_response(bad.any, lines, readings, noise, electrons)
        flat = with_elements(smooth, of_elements)
    else:
        flat = with_misfit(flat, smooth)
    detector = Detector(
        darks=darks,
        noise=noise,
        bad=bad,
        flat=flat,
        flat_signal=_flat_signal(flat_reading, flat.response, bad.any),
        transfer=transfer,
        electrons_per_count=electrons,
    )
    return Measured(
        detector=detector,
        scenes=tuple(scenes),
        swath=swath,
        readings=tuple(with_response_error(one, smooth) for one in readings),
        panel_profiles=profiles_of(passes),
        panel_piles=piles_of(passes),
        unsound=None if flat_reading is None else flat_reading.blind,
        raw_digests=digests,
    )


def _panel_lines(
    progress: Progress,
    workers: int,
    windows: Sequence[panels.PanelWindow],
    captures: Mapping[str, Capture],
    signal_of: SignalOf,
) -> list[panels.PanelLines]:
    """All lines of each panel's window, in the windows' order."""
    read: dict[panels.PanelWindow, panels.PanelLines] = {}
    with (
        progress.stage("panels", len(windows)) as done,
        ThreadPoolExecutor(workers) as threads,
    ):
        for made in threads.map(
            lambda some: panels.read_lines(some, captures[some[0].cube], signal_of),
            panels.stretches(windows),
        ):
            read |= {part.window: part for part in made}
            done(len(made))
    return [read[window] for window in windows]


def _scenes(
    progress: Progress,
    workers: int,
    cubes: Sequence[Capture],
    signal_of: SignalOf,
    saturation_counts: float,
) -> list[SceneSample]:
    """A thin part of each strip."""
    with (
        progress.stage("scene", len(cubes)) as done,
        ThreadPoolExecutor(workers) as threads,
    ):
        made = []
        for one in threads.map(lambda c: sample_scene(c, signal_of, saturation_counts), cubes):
            made.append(one)
            done(1)
    return made


def _flat(
    inventory: Inventory,
    darks: tuple[DarkCapture, ...],
    noise: Array32,
    bad: BadElements,
    saturation_counts: float,
) -> tuple[FlatReading | None, BadElements]:
    """The flat, and the bad elements with those that it cannot tell."""
    if inventory.flat is None:
        return None, bad
    reading = read_flat(inventory.flat, darks, noise, bad.any, saturation_counts)
    none = np.zeros_like(reading.blind)
    blind = BadElements(hot=none, dead=reading.blind, stuck=none, noisy=none)
    return reading, elements.merge(bad, blind)


def _shape_of(scenes: Sequence[SceneSample], bad: Mask) -> SwathShape:
    """What the strips show of a falloff."""
    columns = thin_columns(bad.shape[1])
    pixels = [scene.pixels for scene in scenes]
    return swath_shape(pixels, columns, bad.shape[1], bad[:, columns])


def _darks(
    inventory: Inventory, written: LineTimesTable, progress: Progress, workers: int
) -> tuple[tuple[DarkCapture, ...], BadElements, dict[str, str]]:
    """Mean dark signals, the elements that they show to be bad, and SHA-256 by path."""
    digests: dict[str, str] = {}

    def measured(capture: Capture) -> tuple[DarkCapture, BadElements]:
        middle_s = _middle_s(capture, inventory.line_times_path(capture), written)
        dark, digests[str(capture.data)] = measure_dark(capture, middle_s, done, helpers)
        return dark, elements.bad_in_dark(dark)

    hands = min(workers, len(inventory.darks))
    with (
        progress.stage("dark", sum(d.lines for d in inventory.darks)) as done,
        ThreadPoolExecutor(workers, thread_name_prefix="frames") as others,
        ThreadPoolExecutor(hands, thread_name_prefix="dark") as threads,
    ):
        helpers = Helpers(others, workers - hands)
        made = list(threads.map(measured, inventory.darks))
    return tuple(dark for dark, _ in made), elements.merge(*(bad for _, bad in made)), digests


def _signal_with(cube_darks: Mapping[str, CubeDark], response: Array32) -> SignalOf:
    """Counts to signal with each cube's dark and the response."""

    def signal_of(
        capture: Capture, lines: NDArray[np.intp], counts: NDArray[np.generic]
    ) -> Array32:
        at = cube_darks[capture.name]
        signal = np.empty(counts.shape, np.float32)
        for start in range(0, len(counts), LINES_AT_ONCE):
            some = slice(start, start + LINES_AT_ONCE)
            level = line_dark(at.middle, at.weight[lines[some]][:, None, None], at.change)
            signal[some] = signal_from_counts(counts[some].astype(np.float32), level, response)
        return signal

    return signal_of


def _found(
    config: Config,
    recording: Recording,
    references: Sequence[PanelReference],
    signal_of: SignalOf,
    bad: Mask,
) -> list[panels.PanelWindow]:
    """Windows of the panels that the config gives by region or leaves to be searched for."""
    if all(isinstance(place, Window) for panel in config.panel for place in panel.where):
        return []
    # Image processing is loaded for flights whose panels are sought alone.
    from pipeline.calibrate.panels.image_search import find_windows

    return find_windows(config, recording, references, signal_of, bad)


def _flat_signal(reading: FlatReading | None, response: Array32, bad: Mask) -> Array | None:
    return None if reading is None else reading.over_response(response, bad)


def _middle_s(capture: Capture, line_times: Path | None, written: LineTimesTable) -> float:
    """Mid time of a dark capture, from its own table of line times or from its header."""
    if line_times is not None:
        times = read_line_times(line_times, capture.lines, written=written)
        return float(np.mean(times.time_s))
    period_s = capture.settings.frame_period_ms / 1000
    length_s = capture.lines * period_s if math.isfinite(period_s) else 0.0
    return capture.settings.start_s + length_s / 2
