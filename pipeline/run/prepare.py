"""All that comes before the cubes: darks, elements, flat, panels, light, empirical line."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.errors import CalibrationError, InputError
from pipeline.radiometry import dark, elements, illumination
from pipeline.radiometry.empirical_line import fit_empirical_line
from pipeline.radiometry.flat import flat_field
from pipeline.radiometry.noise import PhotonTransfer, difference_variance, photon_transfer
from pipeline.read.cubes import RawCube, file_sha256
from pipeline.read.inventory import Inventory, take_inventory
from pipeline.read.tables import (
    IrradianceLog,
    Track,
    line_times_from_start,
    read_irradiance,
    read_line_times,
    read_track,
)
from pipeline.records import (
    Array,
    Array32,
    BadElements,
    Capture,
    DarkCapture,
    EmpiricalLine,
    FlatField,
    Illumination,
    LineTimes,
    Mask,
    PanelReading,
)
from pipeline.run import panels
from pipeline.run.darks import measure_dark, overall_noise, require_matching, settings_differences
from pipeline.run.plan import input_name, small_inputs
from pipeline.run.progress import Progress, Silent
from pipeline.run.scene import SceneSample, pooled, sample_scene, without

#: Lines of the flat capture that photon transfer looks at.
FLAT_LINES = 200


@dataclass(frozen=True, eq=False)
class Preparation:
    """Everything known before a cube is calibrated."""

    config: Config
    found: Inventory  # all that is there
    inventory: Inventory  # without cubes unlike the first
    times: Mapping[str, LineTimes]
    track: Track | None
    log: IrradianceLog | None
    darks: tuple[DarkCapture, ...]
    noise: Array32  # (band, sample) [count]
    bad: BadElements
    flat: FlatField
    flat_signal: Array | None  # (band, sample) mean of the flat, corrected with itself
    scenes: tuple[SceneSample, ...]
    panel_profiles: Mapping[str, Array]  # by panel: (band, sample of the core), mean over lines
    readings: tuple[PanelReading, ...]
    points: panels.PanelPoints
    line: EmpiricalLine
    transfer: PhotonTransfer
    electrons_per_count: float
    panel_ratio: tuple[float, ...]  # irradiance ratio at each reading's time
    illumination: Mapping[str, Illumination]  # by cube
    digests: Mapping[str, str]  # input's name to SHA-256; the cubes' come later

    @property
    def cubes(self) -> tuple[Capture, ...]:
        """The cubes to calibrate."""
        return self.inventory.cubes

    def dark_of(self, capture: Capture) -> CubeDark:
        """The dark signal of a cube's lines."""
        return dark_of(self.darks, self.times[capture.name], capture)


@dataclass(frozen=True, eq=False)
class CubeDark:
    """Dark at a line = middle + weight * change."""

    middle: Array32  # (band, sample) [count], at the middle of the cube
    change: Array32  # (band, sample) [count]
    weight: Array32  # (line,)
    uncertainty: Array32  # (band, sample) [count], standard, at the middle
    extrapolated: Mask  # (line,)


def dark_of(darks: tuple[DarkCapture, ...], times: LineTimes, capture: Capture) -> CubeDark:
    """The dark signal of a cube's lines, from the captures before and after it."""
    when = [d.time_s for d in darks]
    middle_s = float(np.mean(times.time_s))
    before, after = (darks[i] for i in dark.bracket(when, middle_s))
    weight = dark.weights(times.time_s, before.time_s, after.time_s)
    middle = dark.weights(np.array([middle_s]), before.time_s, after.time_s)
    mean, uncertainty = dark.dark_at(before, after, middle)
    return CubeDark(
        middle=mean[0],
        change=(after.mean - before.mean).astype(np.float32),
        weight=(weight - middle[0]).astype(np.float32),
        uncertainty=uncertainty[0],
        extrapolated=dark.extrapolated(times.time_s, when),
    )


def prepare(
    config: Config, progress: Progress | None = None, found: Inventory | None = None
) -> Preparation:
    """Read what is needed to calibrate a flight, and fit its empirical line.

    Raises
    ------
    ReflectoryError
        The first thing that makes the flight impossible to calibrate.
    """
    progress = progress or Silent()
    found = found or take_inventory(config)
    inventory = usable(found)
    cubes = inventory.cubes
    digests = {
        input_name(config, path): file_sha256(path) for path in small_inputs(config, inventory)
    }
    captures = {c.name: c for c in cubes}
    all_references = panels.references(config, cubes[0])
    require_matching(inventory.darks, cubes[0])
    if inventory.flat is not None:
        require_matching([inventory.flat], cubes[0])
    windows = panels.windows_in_config(config, captures)
    times = {c.name: _times(config, inventory, c) for c in cubes}
    track = read_track(config.flight.track) if config.flight.track else None
    log = read_irradiance(config.flight.irradiance) if config.flight.irradiance else None

    darks = []
    with progress.stage("dark", sum(d.lines for d in inventory.darks)) as done:
        for capture in inventory.darks:
            measured, sha256 = measure_dark(capture, _middle_s(config, capture), done)
            darks.append(measured)
            digests[input_name(config, capture.data)] = sha256
    noise = overall_noise(darks)
    dark_bad = elements.merge(*(elements.bad_in_dark(d) for d in darks))

    flat = _no_flat(noise.shape)
    flat_block: tuple[Array, Array] | None = None
    if inventory.flat is not None:
        flat, flat_block = _flat(config, inventory.flat, tuple(darks), noise, dark_bad.any, digests)

    cube_darks = {c.name: dark_of(tuple(darks), times[c.name], c) for c in cubes}

    def signal_of(
        capture: Capture, lines: NDArray[np.intp], counts: NDArray[np.generic]
    ) -> Array32:
        at = cube_darks[capture.name]
        level = at.middle + at.weight[lines][:, None, None] * at.change
        return ((counts.astype(np.float32) - level) / flat.response).astype(np.float32)

    saturation = config.sensor.saturation_counts
    scenes = []
    with progress.stage("scene", len(cubes)) as done:
        for capture in cubes:
            scenes.append(sample_scene(capture, signal_of, saturation))
            done(1)
    with progress.stage("panels", len(windows)) as done:
        panel_lines = []
        for window in windows:
            panel_lines.append(panels.read_lines(window, captures[window.cube], signal_of))
            done(1)
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
    transfer = _transfer(config, panel_lines, readings, bad.any, noise, flat_block)
    k = config.sensor.electrons_per_count or transfer.electrons_per_count

    ratios, light = _illumination(config, cubes, times, readings, log)
    points = panels.combined(all_references, readings, ratios)
    fit = points.of("fit")
    if not len(fit.references):
        raise CalibrationError("no fit panel was found", where=config.path)
    _require_unsaturated(fit)
    line = fit_empirical_line(
        fit.references,
        fit.signal,
        fit.uncertainty,
        fit.usable,
        certificates_correlated=config.calibration.certificates_correlated,
    )
    if not line.calibrated.any():
        raise CalibrationError(
            "no band can be calibrated: the panels' signals do not rise with their certificates",
            where=config.path,
            do="Check the panels' windows and certificates",
        )
    return Preparation(
        config=config,
        found=found,
        inventory=inventory,
        times=times,
        track=track,
        log=log,
        darks=tuple(darks),
        noise=noise,
        bad=bad,
        flat=flat,
        flat_signal=None,
        scenes=tuple(scenes),
        panel_profiles=_profiles(panel_lines, bad.any),
        readings=tuple(readings),
        points=points,
        line=line,
        transfer=transfer,
        electrons_per_count=k,
        panel_ratio=tuple(ratios),
        illumination=light,
        digests=digests,
    )


def usable(found: Inventory) -> Inventory:
    """The inventory with cubes unlike the first one, in settings or shape, among the refused."""
    first = found.cubes[0]
    refused = dict(found.refused)
    kept = []
    for capture in found.cubes:
        differences = settings_differences(capture, first)
        if differences:
            refused[capture.name] = InputError(
                f"differs from cube {first.name}: {'; '.join(differences)}", where=capture.header
            )
        else:
            kept.append(capture)
    return replace(found, cubes=tuple(kept), refused=refused)


def _times(config: Config, inventory: Inventory, capture: Capture) -> LineTimes:
    path = inventory.line_times_path(capture)
    if path is None:
        return line_times_from_start(capture.settings, capture.lines)
    return read_line_times(
        path, capture.lines, frame_period_s=capture.settings.frame_period_ms / 1000
    )


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
    digests: dict[str, str],
) -> tuple[FlatField, tuple[Array, Array]]:
    """Relative response from the flat capture, and its photon transfer points."""
    times = line_times_from_start(capture.settings, capture.lines)
    at = dark_of(darks, times, capture)
    total = np.zeros(noise.shape)
    squares = np.zeros(noise.shape)
    with RawCube(capture) as raw:
        for _, counts in raw.blocks(64):
            net = counts.astype(np.float64) - at.middle
            total += net.sum(axis=0)
            squares += (net * net).sum(axis=0)
        some = raw.lines(0, min(FLAT_LINES, capture.lines))
    digests[input_name(config, capture.data)] = file_sha256(capture.data)
    mean = total / capture.lines
    spread = np.sqrt(np.maximum(squares / capture.lines - mean * mean, 0))
    net = some.astype(np.float64) - at.middle
    net[np.broadcast_to(bad, net.shape) | (some >= config.sensor.saturation_counts)] = np.nan
    good = ~bad & (mean < 0.98 * config.sensor.saturation_counts)
    level = np.where(good, mean, 0).sum(axis=1) / np.maximum(good.sum(axis=1), 1)
    return (
        flat_field(mean, np.maximum(spread, noise), capture.lines, bad),
        (level, difference_variance(net)),
    )


def _measuring(flat: FlatField, bad: Mask) -> FlatField:
    """The flat with response 1 at bad elements: what a dead one has is no response."""
    return FlatField(np.where(bad, 1, flat.response), np.where(bad, 0, flat.uncertainty))


def _with_light(
    dark_bad: BadElements,
    scenes: list[SceneSample],
    lines: list[panels.PanelLines],
    response: Array32,
) -> BadElements:
    """Bad elements of the darks and, from scene and panel lines, those that see no light.

    The division by the response is undone: a dead element over its own response looks alive.
    """
    means, deviations = [], []
    if scenes:
        mean, deviation = pooled(scenes)
        means.append(mean)
        deviations.append(deviation)
    for part in lines:
        means.append(part.signal.mean(axis=0, dtype=np.float64))
    mean = without(np.mean(means, axis=0) * response, dark_bad.any)
    dead, stuck = elements.bad_in_light(
        mean, temporal_sd=without(deviations[0] * response, dark_bad.any) if deviations else None
    )
    none = np.zeros_like(dead)
    return elements.merge(dark_bad, BadElements(hot=none, dead=dead, stuck=stuck, noisy=none))


def _transfer(
    config: Config,
    lines: list[panels.PanelLines],
    readings: list[PanelReading],
    bad: Mask,
    noise: Array32,
    flat_points: tuple[Array, Array] | None,
) -> PhotonTransfer:
    saturation = config.sensor.saturation_counts
    parts = [
        panels.transfer_points(part, reading, bad=bad, noise=noise, saturation_counts=saturation)
        for part, reading in zip(lines, readings, strict=True)
        if reading.lines[1] - reading.lines[0] >= 2
    ]
    mean = [p.mean for p in parts]
    variance = [p.variance for p in parts]
    dark_variance = [p.dark_variance for p in parts]
    if flat_points is not None:
        mean.append(flat_points[0])
        variance.append(flat_points[1])
        dark_variance.append(np.where(bad, np.nan, noise.astype(np.float64) ** 2).mean(axis=1))
    if not mean:
        return PhotonTransfer(math.nan, math.nan, math.nan)
    return photon_transfer(
        np.concatenate(mean),
        np.concatenate(variance),
        np.concatenate(dark_variance),
        saturation_counts=saturation,
    )


def _illumination(
    config: Config,
    cubes: tuple[Capture, ...],
    times: Mapping[str, LineTimes],
    readings: list[PanelReading],
    log: IrradianceLog | None,
) -> tuple[list[float], dict[str, Illumination]]:
    """Irradiance ratio at each reading, and for each cube's lines."""
    at = np.array([r.time_s for r in readings])
    make: Callable[[Array], Illumination]
    match config.calibration.illumination:
        case "irradiance log":
            assert log is not None  # the config's own rule

            def make(t: Array) -> Illumination:
                return illumination.from_log(t, log.time_s, log.irradiance, at)
        case "panel passes":
            level, u = pass_levels(readings)

            def make(t: Array) -> Illumination:
                return illumination.from_passes(t, at, level, u)
        case _:

            def make(t: Array) -> Illumination:
                return illumination.constant(t.size)

    return (
        [float(q) for q in make(at).ratio],
        {c.name: make(times[c.name].time_s) for c in cubes},
    )


def _profiles(lines: list[panels.PanelLines], bad: Mask) -> dict[str, Array]:
    """Each panel's mean over lines, NaN at bad elements; of several passes the last."""
    found = {}
    for part in lines:
        across = slice(*part.window.samples)
        mean = part.signal[:, :, across].mean(axis=0, dtype=np.float64)
        found[part.window.panel] = np.where(bad[:, across], np.nan, mean)
    return found


def pass_levels(readings: list[PanelReading]) -> tuple[Array, Array]:
    """Level of each reading over its panel's mean, and its standard uncertainty.

    A panel's signal over the mean of its passes, the median over bands; NaN for a panel that was
    passed once, which cannot tell.
    """
    level, u = np.full(len(readings), np.nan), np.full(len(readings), np.nan)
    for name in {r.panel for r in readings}:
        rows = [i for i, r in enumerate(readings) if r.panel == name]
        if len(rows) < 2:
            continue
        signal = np.stack([readings[i].signal for i in rows])
        with np.errstate(invalid="ignore", divide="ignore"):
            relative = signal / signal.mean(axis=0)
            own = np.stack([readings[i].uncertainty for i in rows]) / signal.mean(axis=0)
        clear = np.isfinite(relative) & (own < 0.05)
        for k, i in enumerate(rows):
            if clear[k].any():
                level[i] = np.median(relative[k][clear[k]])
                u[i] = np.median(own[k][clear[k]])
    return level, u


def _require_unsaturated(fit: panels.PanelPoints) -> None:
    for reference, usable, signal in zip(fit.references, fit.usable, fit.signal, strict=True):
        if usable.any() or not np.isnan(signal).all():
            continue
        if not fit.usable.any():
            raise CalibrationError(
                f"panel {reference.name} is saturated or blind in every band",
                do="Shorten the exposure and fly over the panels again",
            )
