"""Which way a camera's samples run, told by the ground that neighbouring strips both saw."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.cube_tracks import cube_track
from pipeline.draft.glance import Glance
from pipeline.radiometry import geometry
from pipeline.radiometry.angles import circular_mean, near
from pipeline.radiometry.robust import row_medians
from pipeline.read.tables import Track
from pipeline.records import Array, LineTimes

#: The instantaneous field of view is not known yet: tries about that of square samples on the
#: ground, which is what a crew sets its speed for (common practice, no source).
_TRIES = np.geomspace(0.6, 1.7, 22)
#: Cells that two strips must share to be compared.
_LEAST_CELLS = 60
#: Strips that are looked at, the first ones: they tell as much as all do.
_STRIPS = 8
#: How well the ground must agree one way, and how much better than the other way (our own: strips
#: of unlike ground agree by 0.2 at the most).
AGREES, BETTER = 0.5, 0.25


def samples_run(
    some: Sequence[Glance], times: Mapping[str, LineTimes], track: Track
) -> tuple[str, float, float]:
    """Side of the heading that the first sample is on: "left", "right", or "" where it is open.

    Parameters
    ----------
    some : the strips' thinned pictures in raw counts, in order of time
    times : of each strip's lines, by cube; a strip without is passed over
    track : of the camera; above whatever its heights are, only their changes matter

    Returns
    -------
    The side, and the correlation of the ground in the strips' overlaps if it is the left, and if
    it is the right; -1 where no two strips overlap so. It is open where neither way agrees by
    `AGREES`, or one agrees no better than the other by `BETTER`.
    """
    timed = [one for one in some if one.cube in times]
    every = [_Strip.of(one, times[one.cube], track) for one in timed[:_STRIPS]]
    strips = [one for one in every if one is not None]
    left, right = (
        max(_agreement(strips, float(scale), mirrored) for scale in _TRIES)
        for mirrored in (False, True)
    )
    if max(left, right) < AGREES or abs(left - right) < BETTER:
        return "", left, right
    return ("left" if left > right else "right"), left, right


class _Strip:
    """A strip's brightness in blocks, and the track at their lines."""

    def __init__(self, one: Glance, columns: Mapping[str, Any], ifov_mrad: float) -> None:
        # One band's worth of light: what is bright in one strip is bright in the other.
        self.brightness: Array = one.counts.mean(axis=0, dtype=np.float64)
        self.columns = columns
        self.ifov_mrad = ifov_mrad * one.sample_step  # of a block of samples

    @classmethod
    def of(cls, one: Glance, times: LineTimes, track: Track) -> _Strip | None:
        """None where the track does not tell where the strip is."""
        at = cube_track(track, times)
        rows = slice(0, None, one.line_step)
        names = ("latitude", "longitude", "height_m", "roll_deg", "pitch_deg", "heading_deg")
        columns: dict[str, Any] = {name: getattr(at, name)[rows] for name in names}
        north_m, east_m = geometry.metres_per_degree(_median(at.latitude))
        steps_m = np.hypot(
            np.diff(columns["latitude"]) * north_m, np.diff(columns["longitude"]) * east_m
        )
        step_m = _median(steps_m) / one.line_step
        ifov_mrad = 1e3 * step_m / _median(columns["height_m"])
        if not (math.isfinite(ifov_mrad) and ifov_mrad > 0):
            return None
        return cls(one, columns, ifov_mrad)

    def places(self, scale: float, mirrored: bool) -> geometry.GroundPositions:
        """Where its blocks lie, (row, column) [degree]."""
        return geometry.sample_positions(
            **self.columns,
            samples=self.brightness.shape[1],
            ifov_mrad=scale * self.ifov_mrad,
            mirrored=mirrored,
        )


def _agreement(strips: Sequence[_Strip], scale: float, mirrored: bool) -> float:
    """Median over overlaps of strips flown one after the other of the correlation of brightness;
    -1 where none overlap."""
    placed = [strip.places(scale, mirrored) for strip in strips]
    if len(placed) < 2:
        return -1.0
    latitude, longitude = _median(placed[0].latitude), circular_mean(placed[0].longitude)
    north_m, east_m = (float(v) for v in geometry.metres_per_degree(latitude))
    flat = [
        ((p.latitude - latitude) * north_m, near(p.longitude, longitude) * east_m) for p in placed
    ]
    # A cell is as wide as a block and as long as the rows are apart, whichever is more.
    step_m = max(_median(np.hypot(np.diff(y, axis=axis), np.diff(x, axis=axis)))
                 for y, x in flat for axis in (0, 1))  # fmt: skip
    if not step_m > 0:
        return -1.0
    cells = [
        _cells(y, x, strip.brightness, step_m) for (y, x), strip in zip(flat, strips, strict=True)
    ]
    found = [_correlation(a, b) for a, b in pairwise(cells)]
    known = [value for value in found if math.isfinite(value)]
    return float(np.median(known)) if known else -1.0


def _median(values: Array) -> float:
    """Median of what is known; NaN of nothing."""
    return float(row_medians(np.reshape(values, (1, -1)))[0])


def _cells(y: Array, x: Array, brightness: Array, step_m: float) -> tuple[NDArray[np.int64], Array]:
    """Numbers of the cells that a strip saw, ascending, and the mean brightness in each."""
    known = np.isfinite(y) & np.isfinite(x) & np.isfinite(brightness)
    row = np.floor(y[known] / step_m).astype(np.int64)
    column = np.floor(x[known] / step_m).astype(np.int64)
    cells, index = np.unique(row * (1 << 32) + column, return_inverse=True)
    number = np.bincount(index)
    return cells, np.bincount(index, brightness[known]) / number


def _correlation(a: tuple[NDArray[np.int64], Array], b: tuple[NDArray[np.int64], Array]) -> float:
    """Correlation of two strips' brightness over the cells that both saw; NaN over too few."""
    _, of_a, of_b = np.intersect1d(a[0], b[0], assume_unique=True, return_indices=True)
    if of_a.size < _LEAST_CELLS:
        return math.nan
    one, other = a[1][of_a], b[1][of_b]
    if one.std() == 0 or other.std() == 0:
        return math.nan
    return float(np.corrcoef(one, other)[0, 1])
