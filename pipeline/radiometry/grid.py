"""A regular grid on a map plane, and which sample of a strip each of its cells saw.

The plane is that of a projected reference system in metres (x east, y north); the projection
itself is given by the caller as a function. Cells are squares of `step_m`, rows run southward.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.compiled.call import compiled
from pipeline.radiometry.angles import circular_mean, wrapped
from pipeline.records import Array, Array32

#: Beyond these latitudes UTM gives way to polar stereographic systems (NGA.SIG.0012, section 2-3).
_UTM_NORTH, _UTM_SOUTH = 84.0, -80.0
#: EPSG codes of UTM zone 0 north and south, and of UPS north and south with east before north.
_EPSG_NORTH, _EPSG_SOUTH, _EPSG_UPS_NORTH, _EPSG_UPS_SOUTH = 32600, 32700, 5041, 5042

#: A sample reaches as far as the corner of its footprint, and a little more for rounding.
_REACH = 0.5 * 1.05
#: Lines this many times as far apart as usual have a gap between them that nothing saw.
_GAP = 3.0

#: Significant digits of a step that follows from the swath.
_STEP_DIGITS = 2

#: How far from the middle a projection is fitted at the most [degree].
_FIT_REACH = 0.02

#: From longitude and latitude [degree] to x and y [m].
Project = Callable[[Array, Array], tuple[Array, Array]]


def utm_epsg(latitude: ArrayLike, longitude: ArrayLike) -> int:
    """EPSG code of the WGS 84 UTM zone about the middle of some places [degree].

    Zones are six degrees wide from 180 west (NGA.SIG.0012); beyond 84 north and 80 south it is
    the polar stereographic system. The exceptions of western Norway and Svalbard are of the
    military grid and are left out.

    Raises
    ------
    ValueError
        No place is known.
    """
    lat, lon = np.asarray(latitude, np.float64), circular_mean(longitude)
    if not np.isfinite(lat).any() or math.isnan(lon):
        raise ValueError("no place is known")
    middle = float(np.nanmean(lat))
    if middle >= _UTM_NORTH:
        return _EPSG_UPS_NORTH
    if middle < _UTM_SOUTH:
        return _EPSG_UPS_SOUTH
    zone = int((lon + 180.0) // 6.0) % 60 + 1
    return (_EPSG_NORTH if middle >= 0 else _EPSG_SOUTH) + zone


def projection(epsg: int) -> Project:
    """From longitude and latitude [degree] to the x and y [m] of a reference system."""
    from pyproj import Transformer

    to_plane = Transformer.from_crs("EPSG:4326", f"EPSG:{epsg}", always_xy=True)
    return lambda longitude, latitude: to_plane.transform(longitude, latitude)


def usual_step_m(width_m: float) -> float:
    """Side of a cell for samples of a width [m]: that, to two digits; NaN where it is not known."""
    return float(f"{width_m:.{_STEP_DIGITS}g}") if width_m > 0 else math.nan


class Window(NamedTuple):
    """A rectangle of cells: its first row and column, and how many of each."""

    row: int
    column: int
    rows: int
    columns: int


@dataclass(frozen=True)
class Grid:
    """Cells of `step_m`, whose edges lie at whole multiples of it."""

    step_m: float
    column: int  # of the first cell, counted in steps from x = 0
    row: int  # of the first cell, counted in steps southward from y = 0
    columns: int
    rows: int

    @property
    def west(self) -> float:
        """x of the grid's left edge [m]."""
        return self.column * self.step_m

    @property
    def north(self) -> float:
        """y of the grid's upper edge [m]."""
        return -self.row * self.step_m

    def windows(self, size: int) -> Iterator[Window]:
        """Squares of `size` cells, row by row, smaller at the right and lower edge."""
        for row in range(0, self.rows, size):
            for column in range(0, self.columns, size):
                yield Window(
                    row, column, min(size, self.rows - row), min(size, self.columns - column)
                )

    def edges(self, window: Window) -> tuple[float, float, float, float]:
        """x of the left and right edge, y of the lower and upper edge of a window [m]."""
        x, y = self.west + window.column * self.step_m, self.north - window.row * self.step_m
        return x, x + window.columns * self.step_m, y - window.rows * self.step_m, y

    def centres(self, window: Window) -> tuple[Array, Array]:
        """x (1, column) and y (row, 1) of the middles of a window's cells [m]."""
        x = self.west + (window.column + np.arange(window.columns) + 0.5) * self.step_m
        y = self.north - (window.row + np.arange(window.rows) + 0.5) * self.step_m
        return np.asarray(x[None, :]), np.asarray(y[:, None])


def grid_over(x: tuple[float, float], y: tuple[float, float], step_m: float) -> Grid:
    """The smallest grid that covers an extent; `x` and `y` are its low and high ends [m].

    Raises
    ------
    ValueError
        A step that is not above zero, or ends that are not known.
    """
    if not (math.isfinite(step_m) and step_m > 0):
        raise ValueError(f"expected a step above 0 m, got {step_m:g}")
    if not all(map(math.isfinite, (*x, *y))):
        raise ValueError("the extent is not known")
    column, row = math.floor(x[0] / step_m), math.floor(-y[1] / step_m)
    columns = max(math.ceil(x[1] / step_m) - column, 1)
    rows = max(math.ceil(-y[0] / step_m) - row, 1)
    return Grid(step_m, column, row, columns, rows)


def fit_projection(project: Project, latitude: ArrayLike, longitude: ArrayLike) -> Array:
    """A projection near some places, as two second-degree polynomials.

    Parameters
    ----------
    project : the projection itself
    latitude, longitude : any shape [degree], some of them known

    Returns
    -------
    (14,) latitude and longitude of the middle [degree]; then for x and for y [m] the factors of
    1, v, u, v^2, v u, u^2, where v and u are latitude and longitude less the middle's [degree].
    Within a kilometre of the middle less than a millimetre from the projection, to 80 degrees
    north or south: what is left out is of third order in the distance over the Earth's radius. A
    place farther than 0.02 degrees from the median one, a stray fix, does not spoil the others.
    """
    lat, lon = np.asarray(latitude, np.float64), np.asarray(longitude, np.float64)
    middle_lon = circular_mean(lon)
    middle_lon = float(wrapped(middle_lon + np.nanmedian(wrapped(lon - middle_lon))))
    middle_lat = float(np.nanmedian(lat))
    apart = np.fmax(np.abs(lat - middle_lat), np.abs(wrapped(lon - middle_lon)))
    reach = float(np.clip(np.nanmax(apart), 1e-6, _FIT_REACH))
    node = reach * np.array([-1.0, 0.0, 1.0])
    v, u = (axis.ravel() for axis in np.meshgrid(node, node, indexing="ij"))
    powers = np.stack([np.ones(9), v, u, v * v, v * u, u * u], axis=1)
    # In units of the reach, or the squares drown in rounding.
    unit = np.array([1.0, reach, reach, reach**2, reach**2, reach**2])
    x, y = project(wrapped(middle_lon + u), middle_lat + v)
    factors = np.linalg.lstsq(powers / unit, np.stack([x - x[4], y - y[4]], axis=1), rcond=None)[0]
    factors = factors / unit[:, None]
    factors[0] += (x[4], y[4])
    return np.concatenate([[middle_lat, middle_lon], factors[:, 0], factors[:, 1]])


def projected(place: Array, latitude: ArrayLike, longitude: ArrayLike) -> tuple[Array, Array]:
    """x and y [m] by the polynomials of `fit_projection`; NaN places give NaN."""
    v = np.asarray(latitude, np.float64) - place[0]
    u = wrapped(np.asarray(longitude, np.float64) - place[1])
    x, y = place[2:8], place[8:14]
    return (
        x[0] + v * (x[1] + v * x[3] + u * x[4]) + u * (x[2] + u * x[5]),
        y[0] + v * (y[1] + v * y[3] + u * y[4]) + u * (y[2] + u * y[5]),
    )


def line_reach(x: Array, y: Array) -> Array:
    """How far from a line's samples the ground still counts as seen by them, (line,) [m].

    Parameters
    ----------
    x, y : (line, 3) [m] of the first, the middle and the last of the line's samples, but with the
        first and the last a single sample's width from the middle one

    Returns
    -------
    Half the diagonal of a sample's footprint, which is as wide as samples are apart and as long as
    the wider of the steps to the lines before and after. A step of more than three times the usual
    one is a gap and is not bridged. NaN where the line's place is not known.
    """
    width = np.hypot(x[:, 2] - x[:, 0], y[:, 2] - y[:, 0]) / 2
    step = np.hypot(np.diff(x[:, 1]), np.diff(y[:, 1]))
    known = step[np.isfinite(step)]
    usual = float(np.median(known)) if known.size else 0.0
    step = np.where(step <= _GAP * usual, step, usual)
    either = np.concatenate([[usual], step, [usual]])
    return np.asarray(_REACH * np.hypot(width, np.maximum(either[:-1], either[1:])))


def nearest_samples(
    grid: Grid,
    window: Window,
    place: Array,
    latitude: Array,
    longitude: Array,
    reach_m: Array,
    first_line: int,
    distance: Array32,
    source: NDArray[np.int64],
) -> None:
    """Offer some lines of a strip to a window's cells, each of which keeps the nearest sample.

    Parameters
    ----------
    place : of `fit_projection`
    latitude, longitude : (line, sample) [degree]; NaN are passed over
    reach_m : (line,) [m], of `line_reach`; NaN passes the line over
    first_line : of the lines, in their cube
    distance : (row, column) [step], of the nearest so far; changed
    source : (row, column) line x samples + sample of it, -1 for none; changed
    """
    _nearest(
        latitude, longitude, place, reach_m / grid.step_m,
        np.array([
            grid.west / grid.step_m + window.column, grid.north / grid.step_m - window.row,
            1.0 / grid.step_m, float(first_line),
        ]),
        distance, source,
    )  # fmt: skip


@compiled
def _nearest(latitude, longitude, place, reach, frame, distance, source):  # type: ignore[no-untyped-def]
    lines, samples = latitude.shape
    rows, columns = distance.shape
    west, north, per_metre, first_line = frame
    for i in range(lines):
        r = reach[i]
        if not r > 0:
            continue
        for j in range(samples):
            v = latitude[i, j] - place[0]
            u = longitude[i, j] - place[1]
            if u > 180:
                u -= 360
            elif u < -180:
                u += 360
            x = place[2] + v * (place[3] + v * place[5] + u * place[6])
            x += u * (place[4] + u * place[7])
            y = place[8] + v * (place[9] + v * place[11] + u * place[12])
            y += u * (place[10] + u * place[13])
            # In cells from the window's corner; a cell's middle is half a cell from its edge.
            c = x * per_metre - west - 0.5
            q = north - y * per_metre - 0.5
            if not (c > -1 - r and c < columns + r and q > -1 - r and q < rows + r):
                continue
            for row in range(max(int(np.ceil(q - r)), 0), min(int(np.floor(q + r)), rows - 1) + 1):
                for column in range(
                    max(int(np.ceil(c - r)), 0), min(int(np.floor(c + r)), columns - 1) + 1
                ):
                    d = np.sqrt((row - q) ** 2 + (column - c) ** 2)
                    if d <= r and d < distance[row, column]:
                        distance[row, column] = d
                        source[row, column] = (np.int64(first_line) + i) * samples + j
