"""Zarr v3 cubes, sharded: one shard a block of lines, the same variables as the netCDF ones.

xarray lays out the store; worker threads fill whole shards, so that no two touch one file.
Metadata are not consolidated: version 3 of the specification has no such thing, and the library
warns of it. Readers say `consolidated=False`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from pipeline.radiometry.kernel import CalibratedBlock
from pipeline.write.netcdf import ReadPacked
from pipeline.write.product import CubeProduct, arrays_of
from pipeline.write.schema import DIMENSIONS, SCHEMA, Attributes

SUFFIX = ".zarr"


def plain(attributes: Mapping[str, object]) -> dict[str, object]:
    """Attributes as JSON can hold them."""
    return {
        name: value.tolist() if isinstance(value, np.ndarray | np.generic) else value
        for name, value in attributes.items()
    }


def create(path: Path, product: CubeProduct) -> None:
    """Lay out the store with all variables and attributes, and write the small variables."""
    import dask.array as da
    import xarray as xr

    variables: dict[str, xr.Variable] = {}
    encoding: dict[str, dict[str, object]] = {}
    for name, values in product.values.items():
        variables[name] = xr.Variable(
            product.dimensions_of(name), values, plain(product.attributes_of(name))
        )
        encoding[name] = {"_FillValue": None}
    shape = (product.bands, product.lines, product.samples)
    shard = shard_shape(product)
    for name, dtype in product.packed.items():
        variables[name] = xr.Variable(
            DIMENSIONS,
            da.zeros(shape, dtype=dtype, chunks=shard),
            plain(product.attributes_of(name)),
        )
        encoding[name] = {
            "chunks": product.chunk,
            "shards": shard,
            "dtype": dtype,
            "_FillValue": SCHEMA[name].fill,
        }
    dataset = xr.Dataset(variables, attrs=plain(product.attributes))
    dataset.to_zarr(
        path, mode="w", compute=False, encoding=encoding, zarr_format=3, consolidated=False
    )


def shard_shape(product: CubeProduct) -> tuple[int, int, int]:
    """All bands of one block of lines: the smallest whole number of chunks that holds them."""
    height, width, samples = product.chunk
    return (-(-product.bands // height) * height, width, samples)


class ZarrWriter:
    """Takes a cube's blocks; the counterpart of `NetcdfWriter`."""

    def __init__(self, path: Path, product: CubeProduct) -> None:
        import zarr

        create(path, product)
        self.path, self.product = path, product
        group = zarr.open_group(path, mode="r+")
        self._arrays: dict[str, Any] = {name: group[name] for name in product.packed}

    def write(self, start: int, block: CalibratedBlock) -> int:
        """Compress and write the block's shards, which belong to this block alone; the number of
        bytes before compression."""
        for name, values in arrays_of(block).items():
            self._arrays[name][:, start : start + values.shape[1], :] = values
        return sum(values.nbytes for values in arrays_of(block).values())

    def __enter__(self) -> ZarrWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        return None


def set_attributes(path: Path, attributes: Attributes) -> None:
    """Set attributes of a finished store's root."""
    import zarr

    zarr.open_group(path, mode="r+").attrs.update(plain(attributes))  # type: ignore[arg-type]


@contextmanager
def reader(path: Path) -> Iterator[ReadPacked]:
    """Reads parts of variables as they are packed."""
    import zarr

    group: Any = zarr.open_group(path, mode="r")
    yield lambda name, bands, lines: np.asarray(group[name][bands, lines, :])
