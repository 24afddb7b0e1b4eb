"""A thin part of each strip in raw counts: its picture, and what a window in it would show.

Of every strip as many lines are read as a screen shows, and kept as means over blocks of samples
and groups of bands, so that neither memory nor page follow its length.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.read.registry import open_capture
from pipeline.records import Array, Array32, Capture

#: Lines, blocks of samples, and groups of bands that are kept of a strip at the most: a page of
#: `USUAL_STRIPS` stays below 25 MB. Where there are more strips, fewer blocks are kept of each.
MOST_LINES, MOST_COLUMNS, MOST_GROUPS, USUAL_STRIPS = 400, 64, 12, 20
#: Strips read at a time.
AT_ONCE = 2
#: Wavelengths that a picture shows as red, green and blue [nm]; where the bands do not reach them
#: all, the groups at these shares of their number.
_PICTURE_NM, _PICTURE_AT = (650.0, 550.0, 450.0), (5 / 6, 1 / 2, 1 / 6)


@dataclass(frozen=True, eq=False)
class Glance:
    """What was kept of one strip."""

    cube: str
    lines: int
    samples: int
    line_step: int  # one line in so many was read
    sample_step: int  # samples in a block
    group_nm: Array  # (group,) middle of each group of bands
    counts: NDArray[np.uint16]  # (group, row, column) mean raw counts
    saturated: NDArray[np.uint8]  # (row, column) 255 x share of samples saturated in any band
    picture: Array32  # (3, row, sample) mean counts of three groups


def glances(cubes: Sequence[Capture], saturation_counts: float) -> list[Glance]:
    """Read a thin part of each strip; its lines are raw, none is left out."""
    most_columns = MOST_COLUMNS * USUAL_STRIPS // max(len(cubes), USUAL_STRIPS)
    with ThreadPoolExecutor(AT_ONCE, thread_name_prefix="glance") as pool:
        return list(pool.map(lambda cube: _glance(cube, saturation_counts, most_columns), cubes))


def _glance(cube: Capture, saturation_counts: float, most_columns: int) -> Glance:
    step = -(-cube.lines // MOST_LINES)
    width = -(-cube.samples // max(most_columns, 1))
    bands = cube.wavelength_nm.size
    groups = np.unique(np.linspace(0, bands, min(MOST_GROUPS, bands) + 1).astype(np.intp))
    starts, sizes = groups[:-1], np.diff(groups)
    columns = np.arange(0, cube.samples, width)
    column_sizes = np.diff([*columns, cube.samples])
    nm = np.add.reduceat(cube.wavelength_nm, starts) / sizes
    shown = _shown_groups(nm)
    rows = range(0, cube.lines, step)
    counts = np.empty((starts.size, len(rows), columns.size), np.uint16)
    saturated = np.empty((len(rows), columns.size), np.uint8)
    picture = np.empty((3, len(rows), cube.samples), np.float32)
    with open_capture(cube) as raw:
        for row, line in enumerate(rows):
            one = raw.lines(line, line + 1)[0]
            # A sum a group: `reduceat` along the bands takes twice as long.
            sums = [one[a:b].sum(axis=0, dtype=np.float64) for a, b in pairwise(groups)]
            of_groups = np.stack(sums) / sizes[:, None]
            picture[:, row] = of_groups[shown]
            blocks = np.add.reduceat(of_groups, columns, axis=1) / column_sizes
            counts[:, row] = np.clip(np.nan_to_num(blocks), 0, 65_535).round()
            full = (one >= saturation_counts).any(axis=0)
            share = np.add.reduceat(full, columns, dtype=np.float64) / column_sizes
            saturated[row] = np.ceil(255 * share)
    return Glance(cube.name, cube.lines, cube.samples, step, width, nm, counts, saturated, picture)


def _shown_groups(nm: Array) -> NDArray[np.intp]:
    """The three groups that a picture shows."""
    if nm[0] <= min(_PICTURE_NM) + 50 and nm[-1] >= max(_PICTURE_NM) - 50:
        return np.array([np.abs(nm - wanted).argmin() for wanted in _PICTURE_NM])
    return np.array([min(int(share * nm.size), nm.size - 1) for share in _PICTURE_AT])


def stretched(some: Sequence[Glance]) -> list[NDArray[np.uint8]]:
    """Pictures, (3, row, sample) each, on one scale for all strips, dark parts brightened."""
    values = np.concatenate([g.picture[:, ::4, ::4].reshape(3, -1) for g in some], axis=1)
    low, high = np.nanpercentile(values, [1, 99.5], axis=1)
    made: list[Any] = []
    for one in some:
        span = np.maximum(high - low, 1)[:, None, None]
        share = np.clip((np.nan_to_num(one.picture) - low[:, None, None]) / span, 0, 1)
        made.append(np.rint(255 * np.sqrt(share)).astype(np.uint8))
    return made
