"""Lines of a cube reduced to broad spectral groups, for finding panels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.scene_sample import SignalOf
from pipeline.errors import CalibrationError
from pipeline.radiometry.panels.patches import GroupImage, group_bands, nearest_good
from pipeline.read.reader import Reader
from pipeline.records import Array, Array32, Capture, Mask, PanelReference

#: Lines read and reduced at a time: few, so that they stay in the processor's cache.
LINES_AT_ONCE = 4
#: A file that does not lie in the order of its lines is read in longer runs.
LINES_IN_A_RUN = 64


@dataclass(frozen=True, eq=False)
class Reducer:
    """How to reduce lines; the same for all cubes of a flight."""

    signal_of: SignalOf
    first: NDArray[np.intp]  # (group, band of the half)
    second: NDArray[np.intp]
    source: NDArray[np.intp]  # (band, sample) the sample that stands in for a bad element
    moved: tuple[NDArray[np.intp], NDArray[np.intp]]  # (band,), (sample,) of the bad elements
    saturation_counts: float
    wavelength_nm: Array  # (group,)

    @classmethod
    def of(
        cls,
        capture: Capture,
        references: Sequence[PanelReference],
        signal_of: SignalOf,
        bad: Mask,
        saturation_counts: float,
    ) -> Reducer:
        """Groups of bands that all certificates cover and in which most elements measure."""
        usable = np.logical_and.reduce([r.covered for r in references])
        usable &= bad.mean(axis=1) < 0.5
        first, second = group_bands(usable)
        if not len(first):
            raise CalibrationError(
                "no band is covered by every certificate, so that panels cannot be told apart",
                do="Give the panels' windows",
            )
        bands = np.concatenate([first, second], axis=1)
        chosen = np.zeros_like(bad)
        chosen[np.unique(bands)] = True
        band, sample = np.nonzero(bad & chosen)
        return cls(
            signal_of,
            first,
            second,
            nearest_good(bad),
            (band, sample),
            saturation_counts,
            capture.wavelength_nm[bands].mean(axis=1),
        )

    def certificates(self, references: Sequence[PanelReference]) -> tuple[Array, Array]:
        """Reflectance (panel, group) and relative standard uncertainty (panel,)."""
        bands = np.concatenate([self.first, self.second], axis=1)
        value = np.stack([r.reflectance[bands].mean(axis=1) for r in references])
        u = np.stack([r.uncertainty[bands].mean(axis=1) for r in references])
        return value, (u / value).mean(axis=1)

    def read(self, raw: Reader, start: int, stop: int, step: int = 1) -> GroupImage:
        """Lines start to stop, not included, every `step`-th."""
        capture = raw.capture
        lines = np.arange(start, stop, step)
        shape = (len(self.first), lines.size, capture.samples)
        first, second = np.empty(shape, np.float32), np.empty(shape, np.float32)
        saturated = np.empty(shape, np.bool_)
        at_once = LINES_AT_ONCE if capture.by_line else LINES_IN_A_RUN
        for row in range(0, lines.size, at_once):
            part = lines[row : row + at_once]
            counts = _lines(raw, part, step)
            signal = self.signal_of(capture, part, counts)
            self._mend(signal)
            where = (slice(None), slice(row, row + part.size))
            first[where] = _means(signal, self.first)
            second[where] = _means(signal, self.second)
            clipped = np.zeros((shape[0], part.size, shape[2]), np.bool_)
            for half in (self.first, self.second):
                for band in half.T:
                    clipped |= (counts[:, band] >= self.saturation_counts).transpose(1, 0, 2)
            saturated[where] = clipped
        return GroupImage(first, second, saturated, start, step)

    def _mend(self, signal: Array32) -> None:
        """Bad elements take their nearest neighbour's signal; the array is ours alone."""
        band, sample = self.moved
        signal[:, band, sample] = signal[:, band, self.source[band, sample]]


def _lines(raw: Reader, lines: NDArray[np.intp], step: int) -> NDArray[Any]:
    first, last = int(lines[0]), int(lines[-1])
    if step == 1:
        return raw.lines(first, last + 1)
    if not raw.capture.by_line:
        return raw.lines(first, last + 1)[::step]
    return np.concatenate([raw.lines(line, line + 1) for line in lines.tolist()])


def _means(signal: Array32, bands: NDArray[np.intp]) -> Array32:
    """Means over each group's bands, (group, line, sample); bands one by one to spare copies."""
    total = signal[:, bands[:, 0]].copy()
    for band in bands.T[1:]:
        total += signal[:, band]
    return np.asarray(total.transpose(1, 0, 2) / np.float32(bands.shape[1]), np.float32)
