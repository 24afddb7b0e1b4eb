"""The strips of a run on one map plane: where their lines lie, and which sample saw which cell."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.inspect.cube_chunks import CubeChunks, Kept
from pipeline.inspect.finished_run import StoredCube, cube_name, cube_paths, on_globe, open_cube
from pipeline.radiometry.grid import (
    Grid,
    Project,
    Window,
    fit_projection,
    grid_over,
    line_reach,
    nearest_samples,
    projected,
    projection,
    usual_step_m,
    utm_epsg,
)
from pipeline.records import Array, Array32

#: Cells along a side of a grid at the most; beyond it a position is astray, not a flight so large.
MOST_CELLS = 400_000
#: Lines whose places are projected together.
BLOCK_LINES = 64


@dataclass(frozen=True, eq=False)
class Strip:
    """One cube on the plane."""

    name: str
    path: Path
    lines: int
    samples: int
    places: Array  # (block, 14), see `grid.fit_projection`; NaN where no line is known
    boxes: Array  # (block, 4) [m]: x low and high, y low and high, reach included
    reach_m: Array  # (line,)
    nadir: Array  # (2, line) [m]: x and y of what lies straight below the camera
    height: Array  # (line,) of the camera, in one unit for all strips
    width_m: float  # of a sample on the ground, median


@dataclass(frozen=True, eq=False)
class Facts:
    """What all cubes of a run have in common."""

    wavelength_nm: Array  # (band,)
    fwhm_nm: Array  # (band,)
    #: Of the variables with a value for each sample their attributes, fill value and type.
    variables: Mapping[str, Mapping[str, Any]]
    attributes: Mapping[str, Any]


@dataclass(frozen=True, eq=False)
class MapPlan:
    """A run's strips, and the grid that they are laid on."""

    run: Path
    epsg: int
    grid: Grid
    strips: tuple[Strip, ...]
    facts: Facts


class Seen(NamedTuple):
    """What a window's cells saw, (row, column) each."""

    strip: NDArray[np.int16]  # number of the strip, -1 for none
    source: NDArray[np.int64]  # line x samples + sample, -1 for none


def lay_out(
    run: Path, step_m: float | None = None, told: Callable[[int], None] = lambda done: None
) -> MapPlan:
    """Lay a run's strips on a grid.

    Parameters
    ----------
    run : folder of a finished run
    step_m : of the grid; from the strips' samples where None: their median width, rounded to two
        digits
    told : is told of each strip that was read

    Raises
    ------
    InputError
        No run, no cube with positions, or positions too far apart for one map.
    """
    strips: list[Strip] = []
    for path in _paths(run):
        with open_cube(path) as cube:
            places = _positions(cube)
            # A cube outside the track has none; the others make a map without it.
            if places is not None:
                if not strips:
                    epsg = utm_epsg(*places)
                    project, facts = projection(epsg), _facts(cube)
                strips.append(_strip(cube, *places, project))
        told(1)
    if not strips:
        raise InputError(
            "no cube has latitude and longitude, which a map needs",
            where=run,
            do="Give the flight a track and sensor.ifov_mrad, and run it again",
        )
    boxes = np.concatenate([s.boxes for s in strips])
    step = step_m or usual_step_m(float(np.nanmedian([s.width_m for s in strips])))
    try:
        grid = grid_over(
            (float(np.nanmin(boxes[:, 0])), float(np.nanmax(boxes[:, 1]))),
            (float(np.nanmin(boxes[:, 2])), float(np.nanmax(boxes[:, 3]))),
            step,
        )
    except ValueError as error:
        raise InputError(str(error), where=run) from error
    if max(grid.columns, grid.rows) > MOST_CELLS:
        raise InputError(
            f"the strips' positions are up to {max(grid.columns, grid.rows) * step / 1000:.0f} km "
            f"apart, which is too far for one map in steps of {step:g} m",
            where=run,
            do="Look for a stray fix in the track, or choose a longer --step",
        )
    return MapPlan(run, epsg, grid, tuple(strips), facts)


def _paths(run: Path) -> list[Path]:
    try:
        paths = cube_paths(run)
    except OSError as error:
        raise InputError(
            f"not a finished run: {error.strerror}", where=run, do="Name a run's folder"
        ) from None
    if not paths:
        raise InputError("has no cube file", where=run, do="Name the folder of a run")
    return paths


def _positions(cube: StoredCube) -> tuple[Array, Array] | None:
    """Latitude and longitude of each sample, (line, sample) [degree]; None where none is known."""
    if "latitude" not in cube.variables or "longitude" not in cube.variables:
        return None
    latitude, longitude = on_globe(
        cube.variables["latitude"].read(), cube.variables["longitude"].read(), cube.path
    )
    return (latitude, longitude) if np.isfinite(latitude + longitude).any() else None


def _facts(cube: StoredCube) -> Facts:
    wavelength, fwhm = (
        cube.variables[name].read().astype(np.float64) for name in ("wavelength", "fwhm")
    )
    large = {
        name: {**v.attributes, "_FillValue": v.fill, "dtype": v.dtype}
        for name, v in cube.variables.items()
        if v.dimensions == ("wavelength", "line", "sample")
    }
    return Facts(wavelength, fwhm, large, dict(cube.attributes))


def _strip(cube: StoredCube, latitude: Array, longitude: Array, project: Project) -> Strip:
    lines, samples = latitude.shape
    starts = range(0, lines, BLOCK_LINES)
    places = np.full((len(starts), 14), math.nan)
    boxes = np.full((len(starts), 4), math.nan)
    middle = samples // 2
    beside = np.clip([middle - 1, middle, middle + 1], 0, samples - 1)
    x, y = np.full((2, lines, 3), math.nan)
    nadir = np.full((2, lines), math.nan)
    camera = [cube.variables.get(f"camera_{name}") for name in ("latitude", "longitude", "height")]
    below = [v.read().astype(np.float64) for v in camera if v is not None]
    if len(below) == 3:
        on_globe(below[0], below[1], cube.path)
    for block, start in enumerate(starts):
        part = slice(start, start + BLOCK_LINES)
        if not (np.isfinite(latitude[part]) & np.isfinite(longitude[part])).any():
            continue
        place = places[block] = fit_projection(project, latitude[part], longitude[part])
        x[part], y[part] = projected(place, latitude[part, beside], longitude[part, beside])
        nadir[:, part] = (
            projected(place, below[0][part], below[1][part])
            if len(below) == 3
            else (x[part, 1], y[part, 1])
        )
        whole = projected(place, latitude[part], longitude[part])
        boxes[block] = [f(axis) for axis in whole for f in (np.nanmin, np.nanmax)]
    reach = line_reach(x, y)
    width = np.hypot(x[:, 2] - x[:, 0], y[:, 2] - y[:, 0]) / max(beside[2] - beside[0], 1)
    for block, start in enumerate(starts):
        most = np.fmax.reduce(reach[start : start + BLOCK_LINES], initial=0.0)
        boxes[block] += np.array([-most, most, -most, most])
    known = width[np.isfinite(width)]
    return Strip(
        name=cube_name(cube.path),
        path=cube.path,
        lines=lines,
        samples=samples,
        places=places,
        boxes=boxes,
        reach_m=reach,
        nadir=nadir,
        # Without the camera's height, the width of a sample is it in another unit.
        height=below[2] if len(below) == 3 else width,
        width_m=float(np.median(known)) if known.size else math.nan,
    )


class OpenStrips:
    """The cubes of a plan, open for reading by several threads."""

    def __init__(self, plan: MapPlan) -> None:
        self.plan, self.kept = plan, Kept()
        self.cubes = [CubeChunks(strip.path, self.kept) for strip in plan.strips]

    def close(self) -> None:
        """Give the files back."""
        for cube in self.cubes:
            cube.close()

    def seen(self, window: Window) -> Seen:
        """For each cell of a window the strip that saw it nearest to straight down, and the sample
        of it that lies nearest to the cell's middle."""
        grid = self.plan.grid
        shape = (window.rows, window.columns)
        strip_of, source = np.full(shape, -1, np.int16), np.full(shape, -1, np.int64)
        slant = np.full(shape, np.inf, np.float32)  # tangent of the angle from straight down
        x, y = grid.centres(window)
        left, right, low, high = grid.edges(window)
        for number, strip in enumerate(self.plan.strips):
            box = strip.boxes
            meets = (
                (box[:, 0] < right) & (box[:, 1] > left) & (box[:, 2] < high) & (box[:, 3] > low)
            )
            if not meets.any():
                continue
            own = self._nearest(number, np.flatnonzero(meets), window)
            row, column = np.nonzero(own >= 0)
            if not row.size:
                continue
            line = own[row, column] // strip.samples
            away = np.hypot(x[0, column] - strip.nadir[0, line], y[row, 0] - strip.nadir[1, line])
            tangent = np.nan_to_num(away / strip.height[line], nan=np.inf).astype(np.float32)
            # Also where the camera's place is not known: a strip that saw it is better than none.
            better = (tangent < slant[row, column]) | (strip_of[row, column] < 0)
            row, column = row[better], column[better]
            slant[row, column] = tangent[better]
            strip_of[row, column], source[row, column] = number, own[row, column]
        return Seen(strip_of, source)

    def _nearest(self, number: int, blocks: NDArray[np.intp], window: Window) -> NDArray[np.int64]:
        """The sample of one strip nearest to each cell's middle; -1 where none is near."""
        strip, shape = self.plan.strips[number], (window.rows, window.columns)
        distance: Array32 = np.full(shape, np.inf, np.float32)
        source = np.full(shape, -1, np.int64)
        for block in blocks:
            first, last = block * BLOCK_LINES, min((block + 1) * BLOCK_LINES, strip.lines)
            latitude, longitude = (
                self._lines(number, name, first, last) for name in ("latitude", "longitude")
            )
            nearest_samples(
                self.plan.grid,
                window,
                strip.places[block],
                latitude,
                longitude,
                strip.reach_m[first:last],
                int(first),
                distance,
                source,
            )
        return source

    def _lines(self, number: int, name: str, first: int, last: int) -> Array:
        """Some lines of a (line, sample) variable."""
        cube = self.cubes[number]
        height = cube.chunk(name)[0]
        parts = [
            cube.values(name, (start,))[max(first - start, 0) : last - start]
            for start in range(first // height * height, last, height)
        ]
        return np.ascontiguousarray(np.concatenate(parts), np.float64)

    def values(
        self, name: str, seen: Seen, first_band: int, bands: NDArray[np.intp], out: NDArray[Any]
    ) -> None:
        """Put the values of what was seen into `out`, (band, row, column), where anything was.

        Parameters
        ----------
        name : a variable with a value for each sample
        first_band : of a chunk of bands
        bands : those wanted, counted from that
        out : filled beforehand; changed where a strip saw the cell
        """
        flat = out.reshape(len(bands), -1)
        strip_of, source = seen.strip.reshape(-1), seen.source.reshape(-1)
        for number in np.unique(strip_of[strip_of >= 0]):
            strip, cube = self.plan.strips[number], self.cubes[number]
            height = cube.chunk(name)[1]
            cells = np.flatnonzero(strip_of == number)
            row_of = source[cells] // (strip.samples * height)
            for row in np.unique(row_of):
                here = cells[row_of == row]
                chunk = cube.values(name, (first_band, int(row) * height), bands)
                at = source[here] - row * height * strip.samples
                flat[:, here] = chunk.reshape(len(bands), -1)[:, at]

    def band_groups(self, name: str, wanted: NDArray[np.intp]) -> Iterator[tuple[int, Any]]:
        """The wanted bands by chunk: its first band, and the bands counted from that."""
        height = self.cubes[0].chunk(name)[0]
        for first in range(0, self.plan.facts.wavelength_nm.size, height):
            inside = wanted[(wanted >= first) & (wanted < first + height)]
            if inside.size:
                yield first, inside - first


@contextmanager
def open_strips(plan: MapPlan) -> Iterator[OpenStrips]:
    """The cubes of a plan, open for reading."""
    strips = OpenStrips(plan)
    try:
        yield strips
    finally:
        strips.close()
