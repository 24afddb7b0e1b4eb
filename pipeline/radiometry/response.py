"""The smooth response across the swath, a lens's falloff, as the scene shows it.

What a sample loses to the lens it loses alike in all bands, so that the shape of a pixel's spectrum
does not know of it. Pixels of like spectra are of like ground; what their brightness has in common
across the swath is the lens's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.radiometry.distributions import few_factor
from pipeline.radiometry.robust import MAD_TO_SIGMA
from pipeline.records import Array, Array32, Mask

#: Legendre polynomials that make a falloff, from the first order on: vignetting goes with cos^4 of
#: the view angle, which four orders follow to 0.1 % out to 25 degrees (own arithmetic).
ORDERS = 4
#: Samples below which no shape is sought: five unknowns want four times as many places.
LEAST_SAMPLES = 20
#: Standard errors from which each order is taken for the camera's and not for the ground's: less
#: for the second, which a lens's falloff is, than for what hardly comes alone (common practice).
SEEN_ERRORS = np.array([2.5, 1.5, 2.5, 2.5])
#: Blocks of lines of a strip whose scatter tells the standard errors.
BLOCKS = 4
_LEAST_BLOCKS = 6
#: Neighbouring blocks and strips see ground in common, which the jackknife takes for agreement:
#: over 40 simulated flights it was right once enlarged by this much (own arithmetic).
_COMMON_GROUND = 1.4
#: Pixels that are looked at, in all, and darker than this share of the median one left out.
_MOST_PIXELS = 8_000
_DARK_SHARE = 0.1
#: Groups of bands and principal components that make a spectrum's shape; cells of like shape by
#: quantiles of the first and then of the second component; least pixels of a cell. As fine as
#: gave the least errors over 40 simulated flights.
_GROUPS = 16
_COMPONENTS = 2
_CELLS = (12, 6)
_LEAST_PIXELS = 30
#: Robust weights fall off beyond so many standard deviations (Huber 1981, from memory).
_HUBER = 1.5


@dataclass(frozen=True, eq=False)
class SwathShape:
    """What the strips show of a response that changes smoothly across the swath.

    Logarithms: the response is exp(coefficients @ modes) over its mean.
    """

    by_band: Array  # (band, order) Legendre coefficients [1]
    by_band_error: Array  # (order,) their standard errors; inf where nothing tells
    common: Array  # (order,) those of a shape that all bands share
    common_error: Array  # (order,); inf where nothing tells
    strips: int

    @property
    def known(self) -> bool:
        """The scene tells something of a falloff."""
        return self.strips > 0 and bool(np.isfinite(self.common_error).all())

    @property
    def seen(self) -> Array:
        """Size of the shared shape less what its own error makes of it, (order,) [1]; 0 in orders
        that are within `SEEN_ERRORS` of none."""
        clear = np.abs(self.common) > SEEN_ERRORS * self.common_error
        size = np.sqrt(np.maximum(self.common**2 - np.where(clear, self.common_error, 0) ** 2, 0))
        return np.where(clear, np.copysign(size, self.common), 0.0)


class StripPixels(NamedTuple):
    """Thin pixels of one strip."""

    signal: Array32  # (line, column, band) [count], lines in order
    clear: Mask  # (line, column): in no band saturated


def modes(samples: int) -> Array:
    """Legendre polynomials of order 1 to `ORDERS` over the swath, of mean 0, (order, sample)."""
    place = (np.arange(samples) + 0.5) / samples * 2 - 1
    found = np.polynomial.legendre.legvander(place, ORDERS)[:, 1:].T
    return np.asarray(found - found.mean(axis=1, keepdims=True))


def response_of(coefficients: Array, samples: int) -> Array:
    """Relative response, mean 1 across samples; (..., order) coefficients, (..., sample)."""
    level = np.exp(coefficients @ modes(samples))
    return np.asarray(level / level.mean(axis=-1, keepdims=True))


def end_falloff(shape: SwathShape, response: Array32, bad: Mask) -> tuple[float, float]:
    """Response at the swath's ends over its middle, less 1, and its standard error [1].

    `shape` is what the scene shows after `response` (band, sample) was divided out; both are taken
    together. NaN where the scene tells nothing.
    """
    if not shape.known:
        return math.nan, math.nan
    across = modes(bad.shape[1])
    clear = ~bad.all(axis=0)
    level = np.where(bad, np.nan, response)[:, clear].astype(np.float64)
    used = np.linalg.lstsq(across[:, clear].T, np.log(np.nanmedian(level, axis=0)), rcond=None)[0]
    ends = (across[:, 0] + across[:, -1]) / 2 - across[:, bad.shape[1] // 2]
    error = math.sqrt(float(shape.common_error**2 @ ends**2))
    falloff = math.expm1(float((shape.common + used) @ ends))
    return falloff, (1 + falloff) * error


def nothing_known(bands: int) -> SwathShape:
    """The shape of a scene that tells nothing."""
    unknown = np.full(ORDERS, np.inf)
    return SwathShape(np.zeros((bands, ORDERS)), unknown, np.zeros(ORDERS), unknown, 0)


def swath_shape(
    strips: Sequence[StripPixels], columns: NDArray[np.intp], samples: int, bad: Mask
) -> SwathShape:
    """The shape across the swath that pixels of like spectra have in common.

    Parameters
    ----------
    strips : thin pixels by strip
    columns : (column,) their samples
    samples : of the swath
    bad : (band, column), filled from the neighbouring bands

    Returns
    -------
    SwathShape, `nothing_known` of one strip, whose ground may differ across it all along, below
    `LEAST_SAMPLES` columns, and with too few usable pixels.

    Notes
    -----
    Own arithmetic. The logarithm of a pixel's mean over bands is regressed (least squares, Huber's
    weights) on the modes, on the strip, and within each cell of like spectra on the spectrum's
    shape; so is that of groups of bands, between which the bands lie. Standard errors by a
    jackknife over blocks of lines (Efron and Stein 1981, Ann. Statist. 9, 586, from memory), times
    Student's t and `_COMMON_GROUND`. Ground whose brightness changes across the swath in every
    block alike, at one and the same spectrum, cannot be told from a lens: a slope of the
    directional reflectance is such.
    """
    bands = len(bad)
    if columns.size < LEAST_SAMPLES or len(strips) < 2:
        return nothing_known(bands)
    found = _pixels(strips, columns, samples, bad)
    if found is None:
        return nothing_known(bands)
    design, logs, cell, block, count = found
    weight = _weights(design, logs[:, 0], cell)
    parts = [_normal(design[k], logs[k], weight[k]) for k in (block == b for b in range(count))]
    left, right = (np.sum(both, axis=0) for both in zip(*parts, strict=True))
    whole = _solved(left, right)[:ORDERS]
    without = np.stack([_solved(left - a, right - b)[:ORDERS] for a, b in parts])
    spread = np.sqrt((count - 1) / count * ((without - without.mean(axis=0)) ** 2).sum(axis=0))
    spread *= few_factor(count - 1) * _COMMON_GROUND
    common, common_error = whole[:, 0], spread[:, 0]
    by_band = _between_groups(whole[:, 1:].T, bands)
    error = np.maximum(np.median(spread[:, 1:], axis=1), common_error)
    return SwathShape(by_band, error, common, common_error, len(strips))


def _pixels(
    strips: Sequence[StripPixels], columns: NDArray[np.intp], samples: int, bad: Mask
) -> tuple[Array, Array, NDArray[np.intp], NDArray[np.intp], int] | None:
    """(design, logarithms of level and groups, cell, block) by pixel, and the number of blocks."""
    every = max(1, math.ceil(sum(s.clear.size for s in strips) / _MOST_PIXELS))
    blocks = max(BLOCKS, math.ceil(_LEAST_BLOCKS / len(strips)))
    across = modes(samples)[:, columns].T
    level, place, strip, block = [], [], [], []
    for i, one in enumerate(strips):
        lines = np.arange(0, len(one.signal), every)
        chosen = _filled(np.asarray(one.signal[lines], np.float64), bad)
        clear: Mask = np.asarray(one.clear[lines], np.bool_).ravel()
        level.append(chosen.reshape(-1, chosen.shape[2])[clear])
        place.append(np.tile(across, (lines.size, 1))[clear])
        of_line = i * blocks + np.arange(lines.size) * blocks // max(lines.size, 1)
        block.append(np.repeat(of_line, columns.size)[clear])
        strip.append(np.full(int(clear.sum()), i))
    signal = np.concatenate(level)
    if not len(signal):
        return None
    groups = np.array_split(signal, min(_GROUPS, signal.shape[1]), axis=1)
    shape = np.stack([part.mean(axis=1) for part in groups], axis=1)
    mean = signal.mean(axis=1)
    with np.errstate(invalid="ignore"):
        good = (shape > 0).all(axis=1) & (mean > _DARK_SHARE * np.nanmedian(mean))
    if good.sum() < _LEAST_PIXELS * (ORDERS + len(strips)):
        return None
    logs = np.log(np.column_stack([mean, shape])[good])
    of_strip = np.concatenate(strip)[good][:, None] == np.arange(1, len(strips))
    ground, cell = _of_ground(logs[:, 1:])
    design = np.column_stack([np.concatenate(place)[good], of_strip, ground])
    number, labels = np.unique(np.concatenate(block)[good], return_inverse=True)
    if number.size < 3:
        return None
    return design, logs, cell, labels, int(number.size)


def _filled(signal: Array, bad: Mask) -> Array:
    """Signals (line, column, band) with bad elements straight between their neighbour bands."""
    for column in np.flatnonzero(bad.any(axis=0)):
        wrong = bad[:, column]
        if wrong.all():
            signal[:, column] = np.nan
            continue
        good = np.flatnonzero(~wrong)
        for band in np.flatnonzero(wrong):
            after = min(int(np.searchsorted(good, band)), good.size - 1)
            before = max(after - 1, 0) if good[after] > band else after
            a, b = int(good[before]), int(good[after])
            share = min(max((band - a) / (b - a), 0.0), 1.0) if b > a else 0.0
            signal[:, column, band] = (1 - share) * signal[:, column, a] + share * signal[
                :, column, b
            ]
    return signal


def _of_ground(shape: Array) -> tuple[Array, NDArray[np.intp]]:
    """What a spectrum's shape says of the ground's brightness, (pixel, term), and its cell.

    Cells of like shape, each with a level and a slope by every component.
    """
    relative = shape - shape.mean(axis=1, keepdims=True)
    relative -= relative.mean(axis=0)
    _, vectors = np.linalg.eigh(relative.T @ relative)
    score = relative @ vectors[:, ::-1][:, :_COMPONENTS]
    score /= np.maximum(score.std(axis=0), 1e-12)
    cell = np.zeros(len(score), np.intp)
    first = _quantile_cell(score[:, 0], _CELLS[0])
    for i in range(_CELLS[0]):
        inside = first == i
        if score.shape[1] > 1 and inside.sum() >= _LEAST_PIXELS * _CELLS[1]:
            cell[inside] = i * _CELLS[1] + _quantile_cell(score[inside, 1], _CELLS[1])
        else:
            cell[inside] = i * _CELLS[1]
    _, cell = np.unique(cell, return_inverse=True)
    member = cell[:, None] == np.arange(cell.max() + 1)
    slopes = [member * score[:, [k]] for k in range(score.shape[1])]
    return np.concatenate([member, *slopes], axis=1).astype(np.float64), cell


def _quantile_cell(value: Array, cells: int) -> NDArray[np.intp]:
    edges = np.quantile(value, np.arange(1, cells) / cells) if value.size else np.empty(0)
    return np.searchsorted(edges, value, side="right")


def _weights(design: Array, level: Array, cell: NDArray[np.intp]) -> Array:
    """Weight of each pixel, from what is left of its level: Huber's over the variance of its cell.

    Cells whose brightness varies much, such as grey targets of any grey, tell little.
    """
    weight = np.ones(level.size)
    for _ in range(2):
        rest = np.abs(level - design @ _solved(*_normal(design, level[:, None], weight))[:, 0])
        whole = max(float(np.median(rest)), 1e-9)
        sigma = np.empty(level.size)
        for one in range(int(cell.max()) + 1):
            inside = cell == one
            sigma[inside] = MAD_TO_SIGMA * max(float(np.median(rest[inside])), 0.2 * whole)
        weight = 1 / np.maximum(1.0, rest / (_HUBER * sigma)) / sigma**2
    return np.asarray(weight / weight.mean())


def _normal(design: Array, values: Array, weight: Array) -> tuple[Array, Array]:
    """Normal equations of weighted least squares."""
    weighted = design * weight[:, None]
    return weighted.T @ design, weighted.T @ values


def _solved(left: Array, right: Array) -> Array:
    """Solution of normal equations; terms that nothing tells come out as 0."""
    ridge = 1e-9 * np.trace(left) / len(left) * np.eye(len(left))
    return np.asarray(np.linalg.solve(left + ridge, right))


def _between_groups(value: Array, bands: int) -> Array:
    """Each band's value from those of the groups, straight between their middles, (band, order)."""
    parts = np.array_split(np.arange(bands), len(value))
    middle = np.array([part.mean() for part in parts])
    return np.stack([np.interp(np.arange(bands), middle, one) for one in value.T], axis=1)
