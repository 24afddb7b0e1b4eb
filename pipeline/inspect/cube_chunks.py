"""A finished cube's values in chunks, by several threads at once and each once.

The libraries inflate one chunk at a time, whatever the threads; here a netCDF cube's chunks are
taken as they lie and inflated by whoever asks, and only the bands asked for are put together. A
Zarr cube, or a netCDF one that was packed otherwise, goes through its library.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError, one_line
from pipeline.inspect.finished_run import UNREADABLE, open_store
from pipeline.write import zarr
from pipeline.write.deflate import inflated, regrouped

#: Bytes of values that are kept for the next to ask.
KEPT_BYTES = 256 * 2**20


class Kept:
    """The arrays asked for last, up to a number of bytes; shared by threads."""

    def __init__(self, most_bytes: int = KEPT_BYTES) -> None:
        self._most, self._bytes = most_bytes, 0
        self._arrays: OrderedDict[Hashable, NDArray[Any]] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Hashable, make: Callable[[], NDArray[Any]]) -> NDArray[Any]:
        """The array of a key, made where it is not kept; two threads may both make it."""
        with self._lock:
            if key in self._arrays:
                self._arrays.move_to_end(key)
                return self._arrays[key]
        made = make()
        with self._lock:
            if key not in self._arrays:
                self._arrays[key] = made
                self._bytes += made.nbytes
            while self._bytes > self._most and len(self._arrays) > 1:
                _, old = self._arrays.popitem(last=False)
                self._bytes -= old.nbytes
        return made


class CubeChunks:
    """A finished cube, open for reading."""

    def __init__(self, path: Path, kept: Kept) -> None:
        self.path, self._kept = path, kept
        try:
            if path.suffix == zarr.SUFFIX:
                self._arrays: Any = open_store(path)
            else:
                import h5py

                self._arrays = h5py.File(path, "r")
        except UNREADABLE as error:
            raise InputError(f"cannot be opened: {one_line(error)}", where=path) from error

    def close(self) -> None:
        """Give the file back."""
        if hasattr(self._arrays, "close"):
            self._arrays.close()

    def chunk(self, name: str) -> tuple[int, ...]:
        """Shape of a variable's chunks."""
        array = self._array(name)
        return tuple(array.chunks or array.shape)

    def _array(self, name: str) -> Any:
        try:
            return self._arrays[name]
        except UNREADABLE as error:
            raise self._damaged(name, error) from error

    def _damaged(self, what: str, error: Exception) -> InputError:
        return InputError(
            f"{what} cannot be read: {one_line(error)}",
            where=self.path,
            do="Run reflectory verify on its run",
        )

    def values(
        self, name: str, first: tuple[int, ...], bands: NDArray[np.intp] | None = None
    ) -> NDArray[Any]:
        """A chunk as it is packed, smaller at the cube's ends.

        Parameters
        ----------
        name : a variable of (wavelength, line, sample) or (line, sample)
        first : where the chunk begins, but for the last axis, which is whole in every chunk
        bands : those to give of a chunk of (wavelength, line, sample), counted from its own first

        Raises
        ------
        InputError
            The chunk is damaged.
        """
        key = (self.path, name, first, None if bands is None else tuple(bands.tolist()))
        return self._kept.get(key, lambda: self._read(name, first, bands))

    def _read(
        self, name: str, first: tuple[int, ...], bands: NDArray[np.intp] | None
    ) -> NDArray[Any]:
        array = self._array(name)
        shape = self.chunk(name)
        ends = tuple(min(a + n, s) for a, n, s in zip(first, shape, array.shape, strict=False))
        try:
            if _as_ours(array):
                chosen = np.arange(shape[0]) if bands is None else bands
                whole = _put_together(array, (*first, 0), chosen)
                inside = tuple(slice(b - a) for a, b in zip(first, ends, strict=True))
                return whole[inside if bands is None else (slice(None), *inside[1:])]
            part = np.asarray(array[tuple(slice(a, b) for a, b in zip(first, ends, strict=True))])
            return part if bands is None else part[bands]
        except UNREADABLE as error:
            raise self._damaged(f"a chunk of {name}", error) from error


def _as_ours(array: Any) -> bool:
    """Whether a variable's chunks are shuffled and deflated, the last axis whole, and no more."""
    return (
        getattr(array, "compression", None) == "gzip"
        and array.chunks[-1] == array.shape[-1]
        and bool(array.shuffle) == (array.dtype.itemsize > 1)
        and not (array.fletcher32 or array.scaleoffset)
        and array.dtype.isnative
    )


def _put_together(array: Any, first: tuple[int, ...], chosen: NDArray[np.intp]) -> NDArray[Any]:
    """Some entries, along the first axis, of a chunk as it lies in the file."""
    skipped, data = array.id.read_direct_chunk(first)
    if skipped:  # a filter was not applied to this chunk
        end = tuple(slice(a, a + n) for a, n in zip(first, array.chunks, strict=True))
        return np.asarray(array[end][chosen])
    size = array.dtype.itemsize
    planes = inflated(data, size).reshape(size, array.chunks[0], -1)
    values = regrouped(planes[:, chosen].reshape(size, -1), array.dtype)
    return values.reshape(chosen.size, *array.chunks[1:])
