"""The strips of a run against each other, wired to the squares that each cube left."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

import numpy as np

from pipeline.calibrate.cube import CubeResult
from pipeline.calibrate.kernel_tables import written_bands
from pipeline.calibrate.prepare import Preparation
from pipeline.radiometry.checks import ground
from pipeline.radiometry.checks.row import Limits
from pipeline.radiometry.grid import projection, usual_step_m, utm_epsg
from pipeline.radiometry.squares import (
    Overlap,
    Squares,
    cells_of,
    overlap,
    square_plan,
    square_step_m,
)
from pipeline.records import Check


def overlaps(prepared: Preparation, results: Sequence[CubeResult]) -> list[Overlap]:
    """Every two strips on the ground that both saw, in cells of the map's grid: as many of its
    steps wide as a square has samples."""
    strips = _placed(results)
    if len(strips) < 2:
        return []
    first = next(iter(strips.values()))
    project = projection(utm_epsg(first.latitude, first.longitude))
    samples = prepared.recording.cubes[0].samples
    offset = prepared.fit.empirical_line.offset[written_bands(prepared)]
    plan = square_plan(offset.size, samples)
    width_m = float(np.median([square_step_m(s, project) for s in strips.values()]))
    step_m = plan.side * usual_step_m(width_m / plan.side)
    if not math.isfinite(step_m):
        return []
    cells = {name: cells_of(s, project, step_m) for name, s in strips.items()}
    found = (
        overlap(a, b, cells[a], cells[b], offset[list(plan.bands)])
        for a, b in combinations(cells, 2)
    )
    return [one for one in found if one is not None]


def _placed(results: Sequence[CubeResult]) -> dict[str, Squares]:
    """The strips that have a place on the ground."""
    return {
        r.name: r.squares
        for r in results
        if r.squares is not None and np.isfinite(r.squares.latitude + r.squares.longitude).any()
    }


def agreement_row(results: Sequence[CubeResult], found: Sequence[Overlap], limits: Limits) -> Check:
    """Do neighbouring strips agree? `found` as from `overlaps`."""
    missing = ground.NO_OVERLAPS if _placed(results) else ground.NO_PLACES
    return ground.strip_agreement(found, missing=missing, limits=limits)
