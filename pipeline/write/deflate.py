"""Byte shuffle and deflate of one chunk, as HDF5's own filters do it."""

from __future__ import annotations

import zlib
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

try:
    from isal import isal_zlib as _fast

    DEFLATE = "ISA-L"
except ImportError:  # no wheel for this processor: the same format, three to ten times slower
    _fast = None  # type: ignore[assignment]
    DEFLATE = "zlib"


@numba.njit(cache=True, nogil=True)
def _shuffle2(values, out):  # type: ignore[no-untyped-def]
    n = values.size
    for i in range(n):
        out[i] = values[i] & 0xFF
    for i in range(n):
        out[n + i] = values[i] >> 8


def shuffled(values: NDArray[Any]) -> NDArray[np.uint8]:
    """Bytes of contiguous one- or two-byte integers, least significant bytes first."""
    if values.dtype.itemsize == 1:
        return values.reshape(-1).view(np.uint8)
    out = np.empty(values.size * 2, np.uint8)
    _shuffle2(values.reshape(-1).view(np.uint16), out)
    return out


def deflated(values: NDArray[Any]) -> bytes:
    """A chunk's values, shuffled and deflated (level 1) in zlib's format (RFC 1950)."""
    data = shuffled(values)
    if _fast is not None:
        return bytes(_fast.compress(data, 1))
    return zlib.compress(data, 1)
