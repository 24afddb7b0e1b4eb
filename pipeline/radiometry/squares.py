"""A calibrated cube reduced to means over small squares, and two strips compared on one ground.

Blocks are reduced as they come (`square_means`), in a few bands, and joined by `joined`: 1.6 MB a
cube of 640 samples by 2000 lines. On the ground the squares of all strips fall into the cells of
one grid, where neighbours meet (`overlap`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled.call import compiled
from pipeline.flags import WITHOUT_VALUE, QualityFlag
from pipeline.radiometry.grid import Project, fit_projection, projected
from pipeline.radiometry.kernel import R_FILL, CalibratedBlock
from pipeline.radiometry.packing import REFLECTANCE
from pipeline.radiometry.robust import robust_sigma
from pipeline.records import Array, Array32

#: Bands that are reduced, spread over all that are written.
MOST_BANDS = 8
#: Side of a square [sample, line] at the most, and squares across a strip at the least: what two
#: strips' places disagree by is then a small part of a square.
_MOST_SIDE, _LEAST_ACROSS = 8, 64
#: Share of a square's samples that must be sound.
_LEAST_SOUND = 0.5
#: Parts along an overlap, by whose scatter its standard error is told, and cells in each.
STRETCHES, _LEAST_STRETCHES, _LEAST_CELLS = 16, 5, 8

_UNSOUND = np.uint8(WITHOUT_VALUE | QualityFlag.SATURATED | QualityFlag.BAD_ELEMENT)


@dataclass(frozen=True)
class SquarePlan:
    """How a cube is reduced."""

    side: int
    bands: tuple[int, ...]  # of those that are written


def square_plan(bands: int, samples: int) -> SquarePlan:
    """Squares as large as leaves enough of them across a strip, a power of 2 so that no square
    lies in two blocks; bands in the middle of equal parts."""
    side = 1
    while side < _MOST_SIDE and samples // (2 * side) >= _LEAST_ACROSS:
        side *= 2
    few = min(bands, MOST_BANDS)
    return SquarePlan(side, tuple(int((i + 0.5) * bands / few) for i in range(few)))


def square_means(plan: SquarePlan, block: CalibratedBlock) -> Array32:
    """Mean reflectance of a block's squares, (band, row, column); what is over at its ends is left
    out. NaN where fewer than half of the samples are sound."""
    side, chosen = plan.side, list(plan.bands)
    lines, samples = (n // side for n in block.reflectance.shape[1:])
    count = np.zeros((len(chosen), lines, samples), np.int32)
    total = np.zeros(count.shape, np.int64)
    of_row = np.empty((2, samples * side), np.int32)
    _sum_sound(block.reflectance, block.flags, np.asarray(chosen), side, of_row, total, count)
    mean = np.full(count.shape, np.nan, np.float32)
    np.divide(total, count, out=mean, where=count >= _LEAST_SOUND * side * side)
    return np.asarray(mean * np.float32(REFLECTANCE.step), np.float32)


@compiled
def _sum_sound(packed, flags, bands, side, of_row, total, count):  # type: ignore[no-untyped-def]
    """Sums and numbers of the sound samples of each square."""
    value, sound = of_row[0], of_row[1]
    width = value.size
    for k in range(bands.size):
        for row in range(total.shape[1]):
            # Line on line first, samples side by side, which the processor adds many at a time.
            for s in range(width):
                value[s] = sound[s] = 0
            for line in range(row * side, (row + 1) * side):
                values, doubts = packed[bands[k], line], flags[bands[k], line]
                for s in range(width):
                    good = (doubts[s] & _UNSOUND) == 0 and values[s] != R_FILL
                    value[s] += np.int32(values[s]) if good else np.int32(0)
                    sound[s] += np.int32(good)
            for s in range(width):
                total[k, row, s // side] += value[s]
                count[k, row, s // side] += sound[s]


@dataclass(frozen=True, eq=False)
class Squares:
    """A strip in squares."""

    reflectance: Array32  # (band, row, column), NaN where there is no value
    latitude: Array  # (row, column) of the squares' middles [degree]
    longitude: Array


def joined(
    plan: SquarePlan, parts: Sequence[Array32], latitude: Array, longitude: Array
) -> Squares:
    """A strip's squares from its blocks' in order; places are the whole cube's, (line, sample)."""
    means = np.concatenate(parts, axis=1)
    return Squares(means, *(_middles(p, plan.side, means.shape[1:]) for p in (latitude, longitude)))


def _middles(places: Array, side: int, shape: tuple[int, ...]) -> Array:
    """Of each square the mean of the samples beside its middle."""
    low, high = (side - 1) // 2, side // 2
    rows, columns = shape
    at = [
        np.asarray(places[a::side, b::side][:rows, :columns], np.float64)
        for a in (low, high)
        for b in (low, high)
    ]
    # From the first one, so that a step over the 180th meridian is none.
    return np.asarray(at[0] + sum((p - at[0] + 180) % 360 - 180 for p in at[1:]) / 4)


@dataclass(frozen=True, eq=False)
class Cells:
    """A strip on the grid: its cells in order of their numbers."""

    number: NDArray[np.int64]  # (cell,)
    row: NDArray[np.intp]  # (cell,) of the strip's squares, the mean of those in the cell
    column: NDArray[np.intp]
    reflectance: Array  # (band, cell)


def cells_of(squares: Squares, project: Project, step_m: float) -> Cells:
    """The cells of a grid, whose edges lie at whole multiples of `step_m`, that a strip saw."""
    known = np.isfinite(squares.latitude) & np.isfinite(squares.longitude)
    row, column = np.nonzero(known)
    if not row.size:
        none = np.empty(0, np.int64)
        return Cells(none, none, none, np.empty((len(squares.reflectance), 0)))
    latitude, longitude = squares.latitude[known], squares.longitude[known]
    x, y = projected(fit_projection(project, latitude, longitude), latitude, longitude)
    key = np.floor(x / step_m).astype(np.int64) * 2**32 + np.floor(y / step_m).astype(np.int64)
    number, place, count = np.unique(key, return_inverse=True, return_counts=True)
    values = squares.reflectance[:, known].astype(np.float64)

    def mean(of: Array) -> Array:
        return np.asarray(np.bincount(place, of, number.size) / count)

    return Cells(
        number,
        np.rint(mean(row.astype(np.float64))).astype(np.intp),
        np.rint(mean(column.astype(np.float64))).astype(np.intp),
        np.stack([mean(band) for band in values]),
    )


def square_step_m(squares: Squares, project: Project) -> float:
    """Ground width of a strip's squares [m], the median; NaN where no place is known."""
    known = np.isfinite(squares.latitude) & np.isfinite(squares.longitude)
    if not known.any() or squares.latitude.shape[1] < 2:
        return math.nan
    place = fit_projection(project, squares.latitude[known], squares.longitude[known])
    x, y = projected(place, squares.latitude, squares.longitude)
    middle = x.shape[1] // 2
    beside = [middle - 1, middle]
    width = np.hypot(np.diff(x[:, beside], axis=1), np.diff(y[:, beside], axis=1))
    return float(np.nanmedian(width))


@dataclass(frozen=True, eq=False)
class Overlap:
    """Two strips on the ground that both saw."""

    first: str
    second: str
    difference: float  # of the second from the first, over their mean less the offset
    error: float  # its standard error
    row: NDArray[np.intp]  # (cell,) of the first strip's squares
    column: NDArray[np.intp]
    apart: Array  # (cell,) as `difference`, median over bands
    of_first: Array  # (cell,) reflectance, mean over bands
    of_second: Array


def overlap(first: str, second: str, a: Cells, b: Cells, offset: Array) -> Overlap | None:
    """Compare two strips where they overlap; None where too little of them does.

    Parameters
    ----------
    first, second : the strips' names
    a, b : their cells on one grid
    offset : (band,) of the empirical line: reflectance less it goes with the light; over the mean
        itself the same change of light would look smaller on bright ground and larger on dark

    Returns
    -------
    Difference is the median over cells of the medians over bands; its standard error is that
    of the mean of the medians of up to 16 stretches along the first strip: neighbouring cells err
    alike where the strips' places disagree.
    """
    _, i, j = np.intersect1d(a.number, b.number, assume_unique=True, return_indices=True)
    if i.size < _LEAST_STRETCHES * _LEAST_CELLS:
        return None
    one, other = a.reflectance[:, i], b.reflectance[:, j]
    level = 0.5 * (one + other) - offset[:, None]
    apart = np.full(level.shape, np.nan)
    np.divide(other - one, level, out=apart, where=level > 0)
    kept = np.isfinite(apart).any(axis=0)
    if kept.sum() < _LEAST_STRETCHES * _LEAST_CELLS:
        return None
    apart, one, other, i = apart[:, kept], one[:, kept], other[:, kept], i[kept]
    by_cell = np.nanmedian(apart, axis=0)
    order = np.argsort(a.row[i], kind="stable")
    number = min(STRETCHES, order.size // _LEAST_CELLS)
    medians = np.array([np.median(by_cell[part]) for part in np.array_split(order, number)])
    both = np.isfinite(apart)
    count = both.sum(axis=0)
    return Overlap(
        first,
        second,
        float(np.median(by_cell)),
        robust_sigma(medians) / math.sqrt(number),
        a.row[i],
        a.column[i],
        by_cell,
        np.where(both, one, 0).sum(axis=0) / count,
        np.where(both, other, 0).sum(axis=0) / count,
    )
