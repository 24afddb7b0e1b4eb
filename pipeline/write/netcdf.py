"""netCDF-4 cubes: netCDF4 makes the file, worker threads deflate, chunks are laid down directly.

The file is plain shuffle + deflate netCDF-4; nothing but the usual libraries is needed to read it.
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.radiometry.kernel import CalibratedBlock
from pipeline.write.attributes import Attributes
from pipeline.write.deflate import deflated
from pipeline.write.product import CubeProduct

SUFFIX = ".nc"
#: Free bytes below which a failed write is put down to a full disk.
MUCH_TOO_FEW_BYTES = 2**20

# The netCDF library is not to be entered by two threads; h5py has a lock of its own.
_LOCK = threading.Lock()

ReadPacked = Callable[[str, slice, slice], NDArray[Any]]
Chunk = tuple[str, tuple[int, int, int], bytes]


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
    """Make the file with dimensions, all variables, attributes and the small variables' values."""
    import netCDF4

    with disk_errors(path), _LOCK, netCDF4.Dataset(path, "w", format="NETCDF4") as nc:
        sizes = {"wavelength": product.bands, "line": product.lines, "sample": product.samples}
        for name, size in sizes.items():
            nc.createDimension(name, size)
        for name, variable in product.variables.items():
            fill = np.nan if _may_be_missing(variable.values, name) else None
            packed = variable.values.size > 10_000
            created = nc.createVariable(
                name,
                variable.values.dtype,
                variable.dimensions,
                fill_value=fill,
                compression="zlib" if packed else None,
                complevel=1,
            )
            created.setncatts(product.attributes_of(name))
            created[...] = variable.values
        for name, dtype in product.packed.items():
            created = nc.createVariable(  # type: ignore[call-overload]
                name,
                dtype,
                ("wavelength", "line", "sample"),
                fill_value=product.fill_of(name),
                compression="zlib",
                complevel=1,
                shuffle=dtype.itemsize > 1,
                chunksizes=product.chunk,
            )
            created.set_auto_maskandscale(False)
            created.setncatts(product.attributes_of(name))
        nc.setncatts(product.attributes)


def _may_be_missing(values: NDArray[Any], name: str) -> bool:
    """Whether a small variable needs a fill value; a coordinate variable never has one."""
    return values.dtype.kind == "f" and name not in ("wavelength", "time") and bool(values.ndim)


class NetcdfWriter:
    """Takes a cube's blocks in order of their lines; a context manager.

    `encode` is pure and runs in worker threads; `commit` writes and runs in one thread.
    A block starts at a multiple of the chunk's lines and is one chunk high, but for the last.
    """

    def __init__(self, path: Path, product: CubeProduct) -> None:
        import h5py

        create(path, product)
        self.path, self.product = path, product
        self._file = h5py.File(path, "r+")
        self._ids = {name: self._file[name].id for name in product.packed}

    def encode(self, start: int, block: CalibratedBlock) -> list[Chunk]:
        """Shuffle and deflate the block's chunks."""
        height, width = self.product.chunk[:2]
        chunks: list[Chunk] = []
        for name, values in arrays_of(block).items():
            for band in range(0, values.shape[0], height):
                part = values[band : band + height]
                if part.shape[:2] != (height, width):
                    # HDF5 stores edge chunks whole.
                    whole = np.zeros(self.product.chunk, part.dtype)
                    whole[: part.shape[0], : part.shape[1]] = part
                    part = whole
                chunks.append((name, (band, start, 0), deflated(part)))
        return chunks

    def commit(self, chunks: list[Chunk]) -> int:
        """Lay the chunks down; the number of bytes written."""
        with disk_errors(self.path):
            for name, offset, data in chunks:
                self._ids[name].write_direct_chunk(offset, data)
        return sum(len(data) for _, _, data in chunks)

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


def arrays_of(block: CalibratedBlock) -> dict[str, NDArray[Any]]:
    """A block's arrays by the names of their variables."""
    arrays: dict[str, NDArray[Any]] = {"reflectance": block.reflectance}
    if block.uncertainty is not None:
        arrays["reflectance_uncertainty"] = block.uncertainty
    arrays["quality_flag"] = block.flags
    return arrays


def set_attributes(path: Path, attributes: Attributes) -> None:
    """Set global attributes of a finished file."""
    import netCDF4

    with disk_errors(path), _LOCK, netCDF4.Dataset(path, "a") as nc:
        nc.setncatts(attributes)


@contextmanager
def reader(path: Path) -> Iterator[ReadPacked]:
    """Reads parts of variables as they are packed, through netCDF4 and so through its filters."""
    import netCDF4

    with _LOCK, netCDF4.Dataset(path) as nc:
        nc.set_auto_maskandscale(False)
        yield lambda name, bands, lines: np.asarray(nc[name][bands, lines, :])
