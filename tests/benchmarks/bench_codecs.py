"""Codecs for a Zarr chunk, by size and speed: `bench_codecs.py CUBE.nc`, on a finished cube.

Processor seconds of one thread, the best of three, for the chunks of six blocks of lines.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable
from typing import Any

import netCDF4
import numpy as np
from numcodecs.blosc import BITSHUFFLE, SHUFFLE, Blosc
from numpy.typing import NDArray

from pipeline.write.deflate import deflated

BLOCKS = 6
CODECS: dict[str, Callable[[NDArray[Any]], bytes]] = {
    "shuffle + deflate 1 (as in netCDF)": deflated,
    "lz4 1, bit shuffle": Blosc("lz4", 1, BITSHUFFLE).encode,
    "lz4 5, bit shuffle": Blosc("lz4", 5, BITSHUFFLE).encode,
    "lz4 5, byte shuffle": Blosc("lz4", 5, SHUFFLE).encode,
    "lz4 9, bit shuffle": Blosc("lz4", 9, BITSHUFFLE).encode,
    "zstd 1, bit shuffle": Blosc("zstd", 1, BITSHUFFLE).encode,
    "zstd 1, byte shuffle": Blosc("zstd", 1, SHUFFLE).encode,
}


def chunks_of(path: str) -> list[NDArray[Any]]:
    """Chunks of all large variables, from the cube's second block on."""
    with netCDF4.Dataset(path) as nc:
        nc.set_auto_maskandscale(False)
        found = []
        for name in ("reflectance", "reflectance_uncertainty", "quality_flag"):
            height, lines, _ = nc[name].chunking()
            part = np.asarray(nc[name][:, lines : lines * (1 + BLOCKS), :])
            found += [
                np.ascontiguousarray(part[band : band + height, line : line + lines])
                for band in range(0, part.shape[0], height)
                for line in range(0, part.shape[1], lines)
            ]
        return found


def main(path: str) -> None:
    """Print the table, relative to deflate."""
    chunks = chunks_of(path)
    raw = sum(chunk.nbytes for chunk in chunks)
    first: tuple[float, int] | None = None
    for label, encode in CODECS.items():
        best, size = np.inf, 0
        for _ in range(3):
            began = time.thread_time()
            size = sum(len(encode(chunk)) for chunk in chunks)
            best = min(best, time.thread_time() - began)
        first = first or (best, size)
        print(
            f"| {label} | {1e3 * best / BLOCKS:.0f} ms | {best / first[0]:.2f} |"
            f" {size / raw:.3f} | {size / first[1]:.2f} |"
        )


if __name__ == "__main__":
    # In a thread of its own: in the main one Blosc works with threads of its own.
    thread = threading.Thread(target=main, args=(sys.argv[1],))
    thread.start()
    thread.join()
