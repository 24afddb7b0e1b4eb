"""netCDF-4 cubes: netCDF4 makes the file; chunks are deflated here and laid down directly.

The file is plain shuffle + deflate netCDF-4; nothing but the usual libraries is needed to read it.
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import threading
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.radiometry.kernel import CalibratedBlock
from pipeline.write.deflate import deflated, regrouped
from pipeline.write.product import CubeProduct, arrays_of
from pipeline.write.schema import DIMENSIONS, SCHEMA, Attributes

SUFFIX = ".nc"
#: Free bytes below which a failed write is put down to a full disk.
MUCH_TOO_FEW_BYTES = 2**20

#: Values of a small variable above which it is deflated, and about how large its chunks are.
LEAST_DEFLATED, CHUNK_BYTES = 10_000, 2**20

# The netCDF library is not to be entered by two threads; h5py has a lock of its own.
_LOCK = threading.Lock()

ReadPacked = Callable[[str, slice, slice], NDArray[Any]]


@contextmanager
def disk_errors(path: Path) -> Iterator[None]:
    """The libraries' RuntimeError of a failed write, which hides its cause, as an OSError."""
    try:
        yield
    except OSError as error:
        # HDF5 tells of the system's error in the middle of a long sentence.
        said = re.search(r"errno = (\d+)", str(error))
        if said is None:
            raise
        raise OSError(int(said[1]), os.strerror(int(said[1])), str(path)) from error
    except RuntimeError as error:
        full = shutil.disk_usage(path.parent).free < MUCH_TOO_FEW_BYTES
        code = errno.ENOSPC if full else errno.EIO
        raise OSError(code, os.strerror(code) if full else str(error), str(path)) from error


def create(path: Path, product: CubeProduct) -> None:
    """Make the file with dimensions, all variables, attributes and the small variables' values.

    Variables in chunks are left empty: `NetcdfWriter` lays their chunks down.
    """
    import netCDF4

    with disk_errors(path), _LOCK, netCDF4.Dataset(path, "w", format="NETCDF4") as nc:
        for name, size in product.sizes.items():
            nc.createDimension(name, size)
        for name, values in product.values.items():
            rows = _rows_of_chunk(values)
            created = nc.createVariable(  # type: ignore[call-overload]
                name,
                values.dtype,
                product.dimensions_of(name),
                fill_value=SCHEMA[name].fill,
                compression="zlib" if rows else None,
                complevel=1,
                chunksizes=(rows, *values.shape[1:]) if rows else None,
            )
            created.setncatts(product.attributes_of(name))
            if not rows:
                created[...] = values
        for name, dtype in product.packed.items():
            created = nc.createVariable(  # type: ignore[call-overload]
                name,
                dtype,
                DIMENSIONS,
                fill_value=SCHEMA[name].fill,
                compression="zlib",
                complevel=1,
                shuffle=dtype.itemsize > 1,
                chunksizes=product.chunk,
            )
            created.set_auto_maskandscale(False)
            created.setncatts(product.attributes_of(name))
        nc.setncatts(product.attributes)


def _rows_of_chunk(values: NDArray[Any]) -> int:
    """Rows of a small variable's chunks; 0 where it is too small to be worth deflating."""
    if values.size <= LEAST_DEFLATED:
        return 0
    row_bytes = values.nbytes // len(values)
    return min(max(CHUNK_BYTES // row_bytes, 1), len(values))


class NetcdfWriter:
    """Takes a cube's blocks, from any thread and in any order; a context manager.

    A block starts at a multiple of the chunk's lines and is one chunk high, but for the last.
    """

    def __init__(self, path: Path, product: CubeProduct) -> None:
        import h5py

        create(path, product)
        self.path, self.product = path, product
        self._file = h5py.File(path, "r+")
        names = (*product.packed, *product.values)
        self._ids = {name: self._file[name].id for name in names}
        try:
            for name, values in product.values.items():
                if rows := _rows_of_chunk(values):
                    across = values.shape[1:]
                    for row in range(0, len(values), rows):
                        self._lay_down(name, (row,), values[row : row + rows], (rows, *across))
        except BaseException:
            with suppress(OSError, RuntimeError):  # the first error is told
                self._file.close()
            raise

    def write(self, start: int, block: CalibratedBlock) -> int:
        """Shuffle, deflate and lay down a block's chunks; the number of bytes written."""
        shape = self.product.chunk
        return sum(
            self._lay_down(name, (band, start), values[band : band + shape[0]], shape)
            for name, values in arrays_of(block).items()
            for band in range(0, values.shape[0], shape[0])
        )

    def _lay_down(
        self, name: str, at: tuple[int, ...], part: NDArray[Any], shape: tuple[int, ...]
    ) -> int:
        """Write the chunk of a variable that starts at `at`, the last axes whole; its bytes."""
        data = deflated(np.ascontiguousarray(_whole(part, shape)))
        offset = at + (0,) * (len(shape) - len(at))
        with disk_errors(self.path):
            self._ids[name].write_direct_chunk(offset, data)
        return len(data)

    def __enter__(self) -> NetcdfWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with disk_errors(self.path):
            self._file.close()


def _whole(part: NDArray[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    """A chunk as HDF5 stores it, whole at the edges too."""
    if part.shape == shape:
        return part
    whole = np.zeros(shape, part.dtype)
    whole[tuple(slice(size) for size in part.shape)] = part
    return whole


def set_attributes(path: Path, attributes: Attributes) -> None:
    """Set global attributes of a finished file."""
    import netCDF4

    with disk_errors(path), _LOCK, netCDF4.Dataset(path, "a") as nc:
        nc.setncatts(attributes)


@contextmanager
def reader(path: Path) -> Iterator[ReadPacked]:
    """Reads chunks of variables as they are packed, by the bands and lines that each holds.

    Inflated by zlib, which other programs read with, and not by what wrote them; and beside other
    cubes: through the libraries, one chunk would wait for the next.
    """
    import h5py

    with h5py.File(path) as file:

        def read(name: str, bands: slice, lines: slice) -> NDArray[Any]:
            try:
                stored = file[name]
                _, data = stored.id.read_direct_chunk((bands.start, lines.start, 0))
                planes = np.frombuffer(zlib.decompress(data), np.uint8)
            except (KeyError, zlib.error) as error:
                raise ValueError(f"no such chunk in {path.name}: {error}") from error
            values = regrouped(planes.reshape(stored.dtype.itemsize, -1), stored.dtype)
            whole: NDArray[Any] = values.reshape(stored.chunks)
            return whole[: bands.stop - bands.start, : lines.stop - lines.start]

        yield read
