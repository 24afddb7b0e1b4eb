"""Raw cubes written by plain numpy, with headers as text."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

CODES = {"u1": 1, "i2": 2, "i4": 3, "f4": 4, "u2": 12, "u4": 13}
AXES = {"bil": (0, 1, 2), "bip": (0, 2, 1), "bsq": (1, 0, 2)}


def write_cube(
    folder: Path,
    stem: str = "strip-00",
    *,
    counts: NDArray[Any] | None = None,
    interleave: str = "bil",
    big_endian: bool = False,
    offset: int = 0,
    suffix: str = ".raw",
    **header: object,
) -> Path:
    """Write `counts` (line, band, sample) and its header; None for a header key leaves it out."""
    if counts is None:
        counts = np.arange(4 * 3 * 5, dtype=np.uint16).reshape(4, 3, 5)
    lines, bands, samples = counts.shape
    table: dict[str, object] = {
        "samples": samples,
        "lines": lines,
        "bands": bands,
        "header offset": offset,
        "data type": CODES[counts.dtype.str[1:]],
        "interleave": interleave,
        "byte order": int(big_endian),
        "wavelength units": "nm",
        "wavelength": "{" + ", ".join(str(500 + 10 * b) for b in range(bands)) + "}",
    }
    table.update({key.replace("_", " "): value for key, value in header.items()})
    text = "".join(f"{key} = {value}\n" for key, value in table.items() if value is not None)
    path = folder / f"{stem}.hdr"
    # A first line that spectral, which is asked too, knows; ours may be any.
    path.write_text("ENVI\n" + text, encoding="utf-8")
    on_disk = counts.transpose(AXES.get(interleave, (0, 1, 2))).astype(
        counts.dtype.newbyteorder(">" if big_endian else "<")
    )
    filler = bytes(i % 251 for i in range(offset))
    (folder / f"{stem}{suffix}").write_bytes(filler + on_disk.tobytes())
    return path


@pytest.fixture
def cube_writer() -> Callable[..., Path]:
    return write_cube
