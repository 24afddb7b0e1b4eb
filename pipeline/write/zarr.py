"""Zarr v3 cubes, sharded: one shard a block of lines, the same variables as the netCDF ones.

Worker threads write whole shards, so that no two touch one file. Metadata are not consolidated:
version 3 of the specification has no such thing. Readers say `consolidated=False`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.radiometry.kernel import CalibratedBlock
from pipeline.write.netcdf import ReadPacked
from pipeline.write.product import CubeProduct, arrays_of
from pipeline.write.schema import DIMENSIONS, SCHEMA, Attributes
from pipeline.write.shards import (
    array_document,
    chunk_bytes,
    chunk_of_shard,
    group_document,
    shard_parts,
)
from pipeline.write.small_file import write_text

SUFFIX = ".zarr"


def plain(attributes: Mapping[str, object]) -> dict[str, object]:
    """Attributes as JSON can hold them."""
    return {
        name: value.tolist() if isinstance(value, np.ndarray | np.generic) else value
        for name, value in attributes.items()
    }


def create(path: Path, product: CubeProduct) -> None:
    """Lay out the store with all variables and attributes, and write the small variables."""
    path.mkdir()
    _write_document(path, group_document(plain(product.attributes)))
    for name, values in product.values.items():
        document = array_document(
            values.shape,
            values.dtype,
            product.dimensions_of(name),
            plain(product.attributes_of(name)),
            fill=fill_of(name),
            chunk=values.shape,
        )
        _write_document(path / name, document)
        at = path / name / key((0,) * values.ndim)
        at.parent.mkdir(parents=True, exist_ok=True)
        at.write_bytes(chunk_bytes(values))
    for name, dtype in product.packed.items():
        # What xarray takes a missing value from; Zarr's own stands beside it.
        told = {} if SCHEMA[name].fill is None else {"_FillValue": fill_of(name)}
        document = array_document(
            (product.bands, product.lines, product.samples),
            dtype,
            DIMENSIONS,
            plain({**product.attributes_of(name), **told}),
            fill=fill_of(name),
            chunk=product.chunk,
            shard=shard_shape(product),
        )
        _write_document(path / name, document)


def fill_of(name: str) -> int | float:
    """The value that Zarr gives where there is no chunk: none, or a mask without a flag."""
    fill = SCHEMA[name].fill
    return 0 if fill is None else np.asarray(fill).item()


def key(chunk: tuple[int, ...]) -> str:
    """The path of a chunk below its array, as the specification's default has it."""
    return "/".join(("c", *map(str, chunk)))


def _document_path(folder: Path) -> Path:
    return folder / "zarr.json"


def _write_document(folder: Path, document: Mapping[str, object]) -> None:
    folder.mkdir(exist_ok=True)
    _document_path(folder).write_text(_text(document), encoding="utf-8")


def _text(document: Mapping[str, object]) -> str:
    return json.dumps(document, indent=1, ensure_ascii=False)


def shard_shape(product: CubeProduct) -> tuple[int, int, int]:
    """All bands of one block of lines: the smallest whole number of chunks that holds them."""
    height, width, samples = product.chunk
    return (-(-product.bands // height) * height, width, samples)


class ZarrWriter:
    """Takes a cube's blocks, from any thread and in any order; a context manager.

    A block starts at a multiple of the chunk's lines and is one chunk high, but for the last.
    """

    def __init__(self, path: Path, product: CubeProduct) -> None:
        create(path, product)
        self.path, self.product = path, product

    def write(self, start: int, block: CalibratedBlock) -> int:
        """Compress and lay down a block's shards, which belong to it alone; the bytes written."""
        chunk, written = self.product.chunk, 0
        for name, values in arrays_of(block).items():
            parts = shard_parts(values, chunk, fill_of(name))
            at = self.path / name / key((0, start // chunk[1], 0))
            at.parent.mkdir(parents=True, exist_ok=True)
            with at.open("xb") as file:
                file.writelines(parts)
            written += sum(map(len, parts))
        return written

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
    document = json.loads(_document_path(path).read_text(encoding="utf-8"))
    document["attributes"].update(plain(attributes))
    write_text(_document_path(path), _text(document))


@contextmanager
def reader(path: Path) -> Iterator[ReadPacked]:
    """Reads chunks of variables as they are packed, by the bands and lines that each holds."""

    def read(name: str, bands: slice, lines: slice) -> NDArray[Any]:
        document = json.loads(_document_path(path / name).read_text(encoding="utf-8"))
        (sharding,) = document["codecs"]
        chunk = tuple(sharding["configuration"]["chunk_shape"])
        count = document["chunk_grid"]["configuration"]["chunk_shape"][0] // chunk[0]
        values = chunk_of_shard(
            path / name / key((0, lines.start // chunk[1], 0)),
            bands.start // chunk[0],
            count,
            chunk,
            np.dtype(document["data_type"]).newbyteorder("<"),
        )
        return values[: bands.stop - bands.start, : lines.stop - lines.start]

    yield read
