"""What was recorded on a flight, described but not measured: captures, times, tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from pipeline.calibrate.darks import require_matching
from pipeline.config.flight import Config
from pipeline.config.tables import LineTimesTable
from pipeline.errors import InputError
from pipeline.radiometry.angles import circular_mean
from pipeline.radiometry.checks.offload import differences
from pipeline.read.inventory import Inventory
from pipeline.read.tables import (
    IrradianceLog,
    Track,
    line_times_from_start,
    read_irradiance,
    read_line_times,
    read_track,
)
from pipeline.records import Array, Capture, LineTimes

if TYPE_CHECKING:
    from shapely import MultiPolygon, Polygon


@dataclass(frozen=True, eq=False)
class Recording:
    """A flight's captures and the tables beside them."""

    found: Inventory  # all that is there
    inventory: Inventory  # without cubes unlike the first
    times: Mapping[str, LineTimes]  # by cube
    track: Track | None
    log: IrradianceLog | None
    regions: Mapping[str, Polygon | MultiPolygon]  # by name; empty without a file

    @property
    def cubes(self) -> tuple[Capture, ...]:
        """The cubes to calibrate."""
        return self.inventory.cubes

    @property
    def by_name(self) -> dict[str, Capture]:
        """The cubes by their stems."""
        return {cube.name: cube for cube in self.cubes}

    @property
    def wavelength_nm(self) -> Array:
        """Band centres of all cubes, (band,) [nm]."""
        return self.cubes[0].wavelength_nm

    @property
    def place(self) -> tuple[float, float] | None:
        """Mean latitude and longitude of the track [degree]; None without one."""
        track = self.track
        if track is None:
            return None
        return float(np.nanmean(track.latitude)), circular_mean(track.longitude)

    @property
    def line_s(self) -> Array:
        """Times of the lines of all cubes in order, (line,) [s since 1970]; NaN where unknown."""
        return np.concatenate([self.times[c.name].time_s for c in self.cubes])


def usable(found: Inventory) -> Inventory:
    """The inventory with cubes unlike the first one, in settings or shape, among the refused."""
    first = found.cubes[0]
    refused = dict(found.refused)
    alike = []
    for capture in found.cubes:
        differing, _ = differences(first, capture)
        if differing:
            refused[capture.name] = InputError(
                f"differs from cube {first.name}: {'; '.join(differing)}", where=capture.header
            )
        else:
            alike.append(capture)
    return replace(found, cubes=tuple(alike), refused=refused)


def read_recording(config: Config, found: Inventory) -> Recording:
    """Read the tables of a flight; no raw file is opened.

    Raises
    ------
    InputError
        A table cannot be read, or the darks or the flat were not taken with the cubes' settings.
    """
    inventory = usable(found)
    flight, tables, cubes = config.flight, config.tables, inventory.cubes
    require_matching(inventory.darks, cubes[0])
    if inventory.flat is not None:
        require_matching([inventory.flat], cubes[0])
    return Recording(
        found=found,
        inventory=inventory,
        times={c.name: line_times(inventory, c, tables.line_times) for c in cubes},
        track=read_track(flight.track, tables.track) if flight.track else None,
        log=read_irradiance(flight.irradiance, tables.irradiance) if flight.irradiance else None,
        regions=_regions(config),
    )


def line_times(inventory: Inventory, capture: Capture, written: LineTimesTable) -> LineTimes:
    """Times of a cube's lines, by its table or from its header."""
    path = inventory.line_times_path(capture)
    if path is None:
        return line_times_from_start(capture.settings, capture.lines)
    period_s = capture.settings.frame_period_ms / 1000
    return read_line_times(path, capture.lines, frame_period_s=period_s, written=written)


def _regions(config: Config) -> Mapping[str, Polygon | MultiPolygon]:
    if config.flight.regions is None:
        return {}
    # Geometry libraries are loaded for flights that have regions alone.
    from pipeline.read.regions import read_regions

    return read_regions(config.flight.regions)
