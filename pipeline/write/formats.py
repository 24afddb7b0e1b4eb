"""The output formats by name; a new one is a module like these and a row here."""

from __future__ import annotations

import random
import zlib
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.radiometry.kernel import CalibratedBlock
from pipeline.write import netcdf, zarr
from pipeline.write.product import CubeProduct, arrays_of
from pipeline.write.schema import Attributes


class Writer(Protocol):
    """Takes a cube's blocks, from any thread and in any order."""

    def write(self, start: int, block: CalibratedBlock) -> int: ...

    def __enter__(self) -> Writer: ...

    def __exit__(self, kind: Any, error: Any, trace: Any) -> None: ...


@dataclass(frozen=True)
class Format:
    """A container for cubes."""

    suffix: str
    writer: Callable[[Path, CubeProduct], Writer]
    set_attributes: Callable[[Path, Attributes], None]
    reader: Callable[[Path], AbstractContextManager[netcdf.ReadPacked]]
    libraries: tuple[str, ...]  # that it is written with

    def load(self) -> None:
        """Load its libraries, for which all cubes' threads would wait in the first of them."""
        for library in self.libraries:
            import_module(library)


FORMATS = {
    "netcdf": Format(
        netcdf.SUFFIX,
        netcdf.NetcdfWriter,
        netcdf.set_attributes,
        netcdf.reader,
        ("h5py", "netCDF4"),
    ),
    "zarr": Format(
        zarr.SUFFIX,
        zarr.ZarrWriter,
        zarr.set_attributes,
        zarr.reader,
        ("google_crc32c", "numcodecs.blosc"),
    ),
}

#: Chunks of a cube that are read again after writing.
REREAD_CHUNKS = 16


@dataclass(frozen=True)
class Proof:
    """The CRC-32 of one chunk's values as they were computed."""

    name: str
    bands: tuple[int, int]
    lines: tuple[int, int]
    crc: int


class RereadSample:
    """A random sample of chunks, the same for the same cube, whose values are remembered."""

    def __init__(self, product: CubeProduct, wanted: int = REREAD_CHUNKS) -> None:
        height, self._width = product.chunk[:2]
        self._height = height
        places = [
            (name, band, line)
            for name in product.packed
            for band in range(0, product.bands, height)
            for line in range(0, product.lines, self._width)
        ]
        chosen = random.Random(product.name).sample(places, min(wanted, len(places)))
        self._by_line: dict[int, list[tuple[str, int]]] = {}
        for name, band, line in chosen:
            self._by_line.setdefault(line, []).append((name, band))

    def proofs(self, start: int, block: CalibratedBlock) -> list[Proof]:
        """Proofs of the block's sampled chunks."""
        arrays = arrays_of(block)
        made = []
        for name, band in self._by_line.get(start, []):
            part = arrays[name][band : band + self._height]
            bands = (band, band + part.shape[0])
            lines = (start, start + part.shape[1])
            made.append(Proof(name, bands, lines, _crc(part)))
        return made


def _crc(values: NDArray[Any]) -> int:
    return zlib.crc32(np.ascontiguousarray(values).view(np.uint8).reshape(-1).data)


def reread(path: Path, output_format: Format, proofs: list[Proof]) -> int:
    """How many of the sampled chunks decode to other values than were computed."""
    wrong = 0
    try:
        with output_format.reader(path) as read:
            for proof in proofs:
                try:
                    part = read(proof.name, slice(*proof.bands), slice(*proof.lines))
                except (OSError, RuntimeError, ValueError):
                    wrong += 1
                    continue
                wrong += _crc(part) != proof.crc
    except (OSError, RuntimeError, ValueError):
        return len(proofs)
    return wrong
