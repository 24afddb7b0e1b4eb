"""Finished cube files of either format, read back in blocks with the usual libraries."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.errors import InputError, one_line
from pipeline.records import Array
from pipeline.write import netcdf, zarr

#: What the libraries raise for a damaged file.
UNREADABLE = (
    *(OSError, RuntimeError, ValueError, KeyError, TypeError, AttributeError, IndexError),
    *(ArithmeticError, EOFError, MemoryError, AssertionError),
)
#: A chunk of more bytes than this is none of ours: a run's are a hundredth of it.
_MOST_CHUNK_BYTES = 1 << 30


class Values(Protocol):
    """An array on disk: numpy's indexing reads a part of it."""

    def __getitem__(self, key: Any, /) -> Any: ...


@dataclass(frozen=True, eq=False)
class StoredVariable:
    """A variable of a cube file as it lies there, packed."""

    name: str
    dimensions: tuple[str, ...]
    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    fill: object | None
    chunk: tuple[int, ...]
    attributes: Mapping[str, object]  # without the fill value
    values: Values

    def read(self, *part: slice) -> NDArray[Any]:
        """A part of the values, as they are packed; everything where no slice is given."""
        return np.asarray(self.values[part or ...])

    def blocks(self) -> Iterator[tuple[slice, ...]]:
        """The places of all chunks."""
        steps = [range(0, size, step) for size, step in zip(self.shape, self.chunk, strict=True)]
        ends = [(s.stop, s.step) for s in steps]
        places: list[tuple[slice, ...]] = [()]
        for starts, (stop, step) in zip(steps, ends, strict=True):
            places = [(*p, slice(a, min(a + step, stop))) for p in places for a in starts]
        return iter(places)


@dataclass(frozen=True, eq=False)
class StoredCube:
    """An open cube file."""

    path: Path
    attributes: Mapping[str, object]
    variables: Mapping[str, StoredVariable]


def step_of(attributes: Mapping[str, object]) -> float:
    """What a packed number is multiplied by. It is a float32, which Zarr tells with more digits
    than it has: 1e-4 is 9.999999747378752e-05 there."""
    return float(str(np.float32(str(attributes.get("scale_factor", 1.0)))))


def cube_name(path: Path) -> str:
    """The cube's name: the file's without its suffix."""
    return path.name.removesuffix(netcdf.SUFFIX).removesuffix(zarr.SUFFIX)


def cube_paths(run: Path) -> list[Path]:
    """A run's cube files, in order of their names."""
    return sorted(p for p in run.iterdir() if p.suffix in (netcdf.SUFFIX, zarr.SUFFIX))


def on_globe(latitude: ArrayLike, longitude: ArrayLike, where: Path) -> tuple[Array, Array]:
    """A cube's positions as float64 [degree], NaN where none is known.

    Raises
    ------
    InputError
        One is no place on the globe.
    """
    # A damaged number may be a signalling NaN: no number all the same.
    with np.errstate(invalid="ignore"):
        pair = tuple(np.asarray(axis, np.float64) for axis in (latitude, longitude))
    for values, most in zip(pair, (90.0, 360.0), strict=True):
        if not (np.isnan(values) | (np.abs(values) <= most)).all():
            raise InputError(
                "a position is no place on the globe", where=where, do="Run reflectory verify"
            )
    return pair[0], pair[1]


@contextmanager
def open_cube(path: Path) -> Iterator[StoredCube]:
    """A finished cube file, open for reading.

    Raises
    ------
    InputError
        It is not there or cannot be opened; reading a part may raise any of `UNREADABLE`.
    """
    if path.suffix == zarr.SUFFIX:
        yield _zarr(path)
        return
    import netCDF4

    try:
        dataset = netCDF4.Dataset(path)
    except UNREADABLE as error:
        raise _cannot_open(path, error) from error
    with dataset:
        dataset.set_auto_maskandscale(False)
        try:
            cube = _netcdf(path, dataset)
        except UNREADABLE as error:
            raise _cannot_open(path, error) from error
        yield cube


def _cannot_open(path: Path, error: Exception) -> InputError:
    return InputError(f"cannot be opened: {one_line(error)}", where=path)


def _netcdf(path: Path, dataset: Any) -> StoredCube:
    variables = {}
    for name, variable in dataset.variables.items():
        attributes = {key: variable.getncattr(key) for key in variable.ncattrs()}
        chunking = variable.chunking() if variable.ndim else []
        variables[name] = StoredVariable(
            name,
            variable.dimensions,
            variable.shape,
            np.dtype(variable.dtype),
            attributes.pop("_FillValue", None),
            variable.shape if chunking == "contiguous" else tuple(chunking),
            attributes,
            variable,
        )
    return StoredCube(path, {key: dataset.getncattr(key) for key in dataset.ncattrs()}, variables)


def open_store(path: Path) -> Any:
    """The group of a Zarr store, its arrays' shapes proved to go together.

    What says how large an array is lies apart from its values, and a damaged number there would
    be worked through for hours.

    Raises
    ------
    InputError
        It cannot be opened, or is not as a run writes it.
    """
    import zarr as library

    try:
        group = library.open_group(path, mode="r")
        sizes: dict[str, int] = {}
        for name, array in _arrays(path, group):
            dimensions = getattr(array.metadata, "dimension_names", None) or ()
            if len(dimensions) != len(array.shape):
                raise ValueError(f"{name} has {len(array.shape)} dimensions, of unlike names")
            for dimension, size in zip(dimensions, array.shape, strict=True):
                if sizes.setdefault(str(dimension), size) != size:
                    raise ValueError(f"{name} has {size} of {dimension}, unlike others")
            for chunk in (array.chunks, array.shards or array.chunks):
                if math.prod(chunk) * array.dtype.itemsize > _MOST_CHUNK_BYTES:
                    raise ValueError(f"{name} has chunks of {chunk}")
                # Each holds its lines from side to side.
                if len(chunk) == 3 and chunk[-1] < array.shape[-1]:
                    raise ValueError(f"{name} has chunks of {chunk} in {array.shape}")
    except UNREADABLE as error:
        raise _cannot_open(path, error) from error
    return group


def _arrays(path: Path, group: Any) -> Iterator[tuple[str, Any]]:
    """The arrays of a store by their names; ValueError where a folder of it holds none.

    One after the other: of several that the library asks for at once and cannot read it raises
    one, and prints the others' tracebacks.
    """
    for folder in sorted(place for place in path.iterdir() if place.is_dir()):
        try:
            array = group[folder.name]
        except KeyError:
            array = None
        if not hasattr(array, "chunks"):
            raise ValueError(f"{folder.name} is no array, its zarr.json is lost or damaged")
        yield folder.name, array


def _zarr(path: Path) -> StoredCube:
    try:
        group = open_store(path)
        variables = {}
        for name, array in _arrays(path, group):
            attributes = dict(array.attrs)
            variables[name] = StoredVariable(
                name,
                tuple(getattr(array.metadata, "dimension_names", None) or ()),
                array.shape,
                array.dtype,
                attributes.pop("_FillValue", None),
                array.shards or array.chunks,
                attributes,
                array,
            )
        return StoredCube(path, dict(group.attrs), variables)
    except UNREADABLE as error:
        raise _cannot_open(path, error) from error
