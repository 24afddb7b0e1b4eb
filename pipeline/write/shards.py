"""The bytes of Zarr's version 3: metadata documents, chunks, and shards of chunks.

Any Zarr library reads them, none of ours is needed. They are laid down without one because a
store has some forty documents, and a library that awaits each of them waits on other threads' work.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Chosen by measurement (tests/README.md): half of deflate's time, 1.25 times its size.
COMPRESSOR, LEVEL = "lz4", 5

#: Bytes of a CRC-32C, and of a chunk's place in a shard's index.
_CRC_BYTES, _ENTRY_BYTES = 4, 16

_LITTLE: dict[str, object] = {"name": "bytes", "configuration": {"endian": "little"}}


def group_document(attributes: Mapping[str, object]) -> dict[str, object]:
    """The metadata document of a group."""
    return {"zarr_format": 3, "node_type": "group", "attributes": dict(attributes)}


def array_document(
    shape: tuple[int, ...],
    dtype: np.dtype[Any],
    dimensions: tuple[str, ...],
    attributes: Mapping[str, object],
    *,
    fill: int | float,
    chunk: tuple[int, ...],
    shard: tuple[int, ...] | None = None,
) -> dict[str, object]:
    """The metadata document of an array of `chunk`, or of shards of them, as they are made here.

    Notes
    -----
    Zarr core specification, version 3.0, "array metadata"; sharding codec, version 1.0.
    """
    codecs = _codecs(dtype)
    if shard is not None:
        configuration = {
            "chunk_shape": chunk,
            "codecs": codecs,
            "index_codecs": [_LITTLE, {"name": "crc32c"}],
            "index_location": "end",
        }
        codecs = [{"name": "sharding_indexed", "configuration": configuration}]
    return {
        "zarr_format": 3,
        "node_type": "array",
        "shape": shape,
        "data_type": dtype.name,
        "chunk_grid": {"name": "regular", "configuration": {"chunk_shape": shard or chunk}},
        "chunk_key_encoding": {"name": "default", "configuration": {"separator": "/"}},
        "fill_value": "NaN" if fill != fill else fill,
        "codecs": codecs,
        "dimension_names": dimensions,
        "attributes": dict(attributes),
    }


def _codecs(dtype: np.dtype[Any]) -> list[dict[str, object]]:
    configuration = {
        "typesize": dtype.itemsize,
        "cname": COMPRESSOR,
        "clevel": LEVEL,
        "shuffle": "bitshuffle",
        "blocksize": 0,
    }
    # The decompressor trusts what it reads, and a flipped bit can end the program that calls it.
    return [_LITTLE, {"name": "blosc", "configuration": configuration}, {"name": "crc32c"}]


def chunk_bytes(values: NDArray[Any]) -> bytes:
    """A chunk's file: little-endian values, shuffled by bits and compressed, and their CRC-32C."""
    return b"".join(_chunk_parts(values))


def _chunk_parts(values: NDArray[Any]) -> tuple[bytes, bytes]:
    """The compressed values, and their CRC-32C: megabytes that are not copied to be joined."""
    from google_crc32c import value as crc32c
    from numcodecs import blosc

    codec = blosc.Blosc(COMPRESSOR, LEVEL, blosc.BITSHUFFLE)
    data: bytes = codec.encode(np.ascontiguousarray(values))
    checksum: int = crc32c(data)
    return data, checksum.to_bytes(_CRC_BYTES, "little")


def shard_parts(values: NDArray[Any], chunk: tuple[int, ...], fill: int | float) -> list[bytes]:
    """The parts of a shard's file, in order.

    Parameters
    ----------
    values : (band, line, sample), little-endian; at most as many lines and samples as a chunk
    chunk : shape of a chunk; those at the far edges are made whole with `fill`

    Notes
    -----
    Zarr specification, version 3, sharding codec 1.0: "binary shard format".
    """
    from google_crc32c import value as crc32c

    chunks = [
        _chunk_parts(_whole(values[band : band + chunk[0]], chunk, fill))
        for band in range(0, len(values), chunk[0])
    ]
    sizes = np.array([sum(map(len, parts)) for parts in chunks], "<u8")
    starts = np.cumsum(sizes, dtype="<u8") - sizes
    index = np.stack([starts, sizes], axis=1).astype("<u8").tobytes()
    laid = [part for parts in chunks for part in parts]
    return [*laid, index, crc32c(index).to_bytes(_CRC_BYTES, "little")]


def chunk_of_shard(
    path: Path, number: int, count: int, chunk: tuple[int, ...], dtype: np.dtype[Any]
) -> NDArray[Any]:
    """A chunk of a shard's file, read again as it was laid down.

    Parameters
    ----------
    number, count : of the chunk, from 0, and of the shard's chunks
    chunk, dtype : shape and type of its values

    Notes
    -----
    For the look at a cube just written: loading a library that reads any store would take as long
    as a tenth of a cube. Raises OSError, RuntimeError or ValueError where it is not as written.
    """
    from google_crc32c import value as crc32c
    from numcodecs import blosc

    with path.open("rb") as file:
        tail = count * _ENTRY_BYTES + _CRC_BYTES
        file.seek(-tail, os.SEEK_END)
        index, checksum = _parted(file.read(tail))
        if crc32c(index) != checksum:
            raise ValueError("the index of the shard is damaged")
        start, size = np.frombuffer(index, "<u8").reshape(count, 2)[number].tolist()
        file.seek(start)
        data, checksum = _parted(file.read(size))
    if len(data) != size - _CRC_BYTES or crc32c(data) != checksum:
        raise ValueError("a chunk of the shard is damaged")
    values = np.empty(chunk, dtype)
    blosc.decompress(data, values)
    return values


def _parted(content: bytes) -> tuple[bytes, int]:
    """Bytes and the CRC-32C that follows them."""
    return content[:-_CRC_BYTES], int.from_bytes(content[-_CRC_BYTES:], "little")


def _whole(part: NDArray[Any], chunk: tuple[int, ...], fill: int | float) -> NDArray[Any]:
    if part.shape == chunk:
        return part
    whole = np.full(chunk, fill, part.dtype)
    whole[tuple(slice(size) for size in part.shape)] = part
    return whole
