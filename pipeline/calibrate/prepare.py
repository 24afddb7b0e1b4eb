"""All that comes before the cubes: darks, elements, flat, panels, light, empirical line."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from pipeline.calibrate.darks import CubeDark, dark_of, require_matching
from pipeline.calibrate.input_manifest import input_name, small_inputs
from pipeline.calibrate.measure import Measured, measure
from pipeline.calibrate.panels import readings as panels
from pipeline.config.flight import Config
from pipeline.errors import CalibrationError, InputError
from pipeline.progress.protocol import Progress, Silent
from pipeline.radiometry import illumination
from pipeline.radiometry.checks.offload import differences
from pipeline.radiometry.empirical_line import fit_empirical_line
from pipeline.read.cubes import file_sha256
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
    Capture,
    EmpiricalLine,
    Illumination,
    LineTimes,
    PanelReading,
)

if TYPE_CHECKING:
    from shapely import MultiPolygon, Polygon


@dataclass(frozen=True, eq=False)
class Preparation(Measured):
    """Everything known before a cube is calibrated: the measurement, and what is made of it."""

    config: Config
    found: Inventory  # all that is there
    inventory: Inventory  # without cubes unlike the first
    times: Mapping[str, LineTimes]
    track: Track | None
    log: IrradianceLog | None
    regions: Mapping[str, Polygon | MultiPolygon]  # by name; empty without a file
    points: panels.PanelPoints
    line: EmpiricalLine
    electrons_per_count: float
    panel_ratio: tuple[float, ...]  # irradiance ratio at each reading's time
    illumination: Mapping[str, Illumination]  # by cube
    digests: Mapping[str, str]  # input's name to SHA-256; the cubes' come later
    from_kept: bool  # the measurement is an earlier run's

    @property
    def cubes(self) -> tuple[Capture, ...]:
        """The cubes to calibrate."""
        return self.inventory.cubes

    def dark_of(self, capture: Capture) -> CubeDark:
        """The dark signal of a cube's lines."""
        return dark_of(self.darks, self.times[capture.name], capture)


def prepare(
    config: Config,
    progress: Progress | None = None,
    found: Inventory | None = None,
    kept: Callable[[Mapping[str, str]], Measured | None] | None = None,
) -> Preparation:
    """Read what is needed to calibrate a flight, and fit its empirical line.

    Parameters
    ----------
    progress : is told how far it is
    found : what `take_inventory` found, where that is known already
    kept : gives an earlier measurement, by the digests of the small inputs, or None

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
    all_references = panels.references(config, cubes[0])
    require_matching(inventory.darks, cubes[0])
    if inventory.flat is not None:
        require_matching([inventory.flat], cubes[0])
    times = {c.name: _times(config, inventory, c) for c in cubes}
    track = read_track(config.flight.track) if config.flight.track else None
    log = read_irradiance(config.flight.irradiance) if config.flight.irradiance else None
    regions = _regions(config)
    context = panels.Context(track, tuple(all_references))
    measured = kept(digests) if kept is not None else None
    from_kept = measured is not None
    if measured is None:
        measured = measure(config, inventory, times, context, progress)
    for capture in (*inventory.darks, *([inventory.flat] if inventory.flat else [])):
        digests[input_name(config, capture.data)] = measured.raw_digests[capture.name]
    readings = list(measured.readings)
    k = config.sensor.electrons_per_count or measured.transfer.electrons_per_count

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
        **vars(measured),
        config=config,
        found=found,
        inventory=inventory,
        times=times,
        track=track,
        log=log,
        regions=regions,
        points=points,
        line=line,
        electrons_per_count=k,
        panel_ratio=tuple(ratios),
        illumination=light,
        digests=digests,
        from_kept=from_kept,
    )


def _regions(config: Config) -> Mapping[str, Polygon | MultiPolygon]:
    if config.flight.regions is None:
        return {}
    # Geometry libraries are loaded for flights that have regions alone.
    from pipeline.read.regions import read_regions

    return read_regions(config.flight.regions)


def usable(found: Inventory) -> Inventory:
    """The inventory with cubes unlike the first one, in settings or shape, among the refused."""
    first = found.cubes[0]
    refused = dict(found.refused)
    kept = []
    for capture in found.cubes:
        differing, _ = differences(first, capture)
        if differing:
            refused[capture.name] = InputError(
                f"differs from cube {first.name}: {'; '.join(differing)}", where=capture.header
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
