"""All that is measured on one pass over a panel, from its lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipeline.calibrate.darks import CubeDark
from pipeline.calibrate.panels.readings import (
    PanelLines,
    TransferPoints,
    read_core,
    transfer_points,
)
from pipeline.radiometry.recorder import Pile, pile_up
from pipeline.records import Array, Array32, LineTimes, Mask, PanelReading


class PanelPass(NamedTuple):
    """What one pass over a panel shows."""

    reading: PanelReading
    points: TransferPoints | None  # None of a single line, which tells of no noise
    profile: Array  # (band, sample of the core), mean over lines, NaN at bad elements
    pile: Pile | None  # where the core's counts gather below saturation


@dataclass(frozen=True, eq=False)
class PassReader:
    """Measures passes, each on whatever thread calls it."""

    times: Mapping[str, LineTimes]  # by cube
    darks: Mapping[str, CubeDark]  # by cube
    bad: Mask
    noise: Array32
    response: Array32
    saturation_counts: float

    def __call__(self, lines: PanelLines) -> PanelPass:
        """One pass."""
        cube = lines.window.cube
        reading = read_core(
            lines,
            self.times[cube],
            bad=self.bad,
            dark_uncertainty=self.darks[cube].uncertainty,
            saturation_counts=self.saturation_counts,
        )
        across = slice(*lines.window.samples)
        return PanelPass(
            reading,
            self._points(lines, reading),
            np.where(self.bad[:, across], np.nan, lines.mean[:, across]),
            pile_up(lines.counts[:, :, across], self.saturation_counts),
        )

    def _points(self, lines: PanelLines, reading: PanelReading) -> TransferPoints | None:
        if reading.lines[1] - reading.lines[0] < 2:
            return None
        return transfer_points(
            lines,
            reading,
            bad=self.bad,
            noise=self.noise,
            response=self.response,
            saturation_counts=self.saturation_counts,
        )


def profiles_of(passes: Sequence[PanelPass]) -> dict[str, Array]:
    """Each panel's mean over lines; of several passes the last."""
    return {one.reading.panel: one.profile for one in passes}


def piles_of(passes: Sequence[PanelPass]) -> dict[str, Pile | None]:
    """Where each pass's counts gather below saturation."""
    return {f"{one.reading.panel} in {one.reading.cube}": one.pile for one in passes}
