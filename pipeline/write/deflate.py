"""Byte shuffle and deflate of one chunk, as HDF5's own filters do it."""

from __future__ import annotations

import struct
import threading
import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled.call import compiled

try:
    from isal import isal_zlib as _fast

    DEFLATE = "ISA-L"
    _INFLATE_ERROR: type[Exception] = _fast.error  # type: ignore[assignment]
except ImportError:  # no wheel for this processor: the same format, three to ten times slower
    _fast = None  # type: ignore[assignment]
    DEFLATE = "zlib"
    _INFLATE_ERROR = zlib.error

#: Bytes of a plane that are deflated to see whether the rest is worth it.
TRIAL_BYTES = 1 << 15
#: Least share of them that must be saved.
WORTH_DEFLATING = 0.02
#: Deflate's window and speed as zlib announces them (RFC 1950, 2.2): 32 KiB, fastest.
_ZLIB_HEADER = b"\x78\x01"
_STORED_MOST = 0xFFFF

_own = threading.local()


@compiled
def _shuffle2(values, out):  # type: ignore[no-untyped-def]
    n = values.size
    for i in range(n):
        out[i] = values[i] & 0xFF
    for i in range(n):
        out[n + i] = values[i] >> 8


def shuffled(values: NDArray[Any]) -> NDArray[np.uint8]:
    """Bytes of contiguous values, least significant bytes first.

    This thread's next call may overwrite them: fresh pages for each chunk cost more than the
    shuffle itself.
    """
    size = values.dtype.itemsize
    if size == 1:
        return values.reshape(-1).view(np.uint8)
    buffer = getattr(_own, "buffer", None)
    if buffer is None or buffer.size < values.nbytes:
        buffer = _own.buffer = np.empty(values.nbytes, np.uint8)
    out: NDArray[np.uint8] = buffer[: values.nbytes]
    if size == 2:
        _shuffle2(values.reshape(-1).view(np.uint16), out)
    else:
        planes = np.ascontiguousarray(values).reshape(-1).view(np.uint8).reshape(-1, size)
        out.reshape(size, -1)[...] = planes.T
    return out


def deflated(values: NDArray[Any]) -> bytes:
    """A chunk's little-endian values, shuffled and deflated (level 1) in zlib's format (RFC 1950).

    The least significant bytes of two-byte values are often noise; where a part of them does not
    shrink they are stored, which any inflater reads as well (RFC 1951, 3.2.4).
    """
    data = shuffled(values)
    if _fast is None:
        return zlib.compress(data, 1)
    low = data[: data.size // 2].data
    if values.dtype.itemsize != 2 or _shrinks(low):
        return bytes(_fast.compress(data, 1))
    rest = _fast.compressobj(1, wbits=-15)
    check = struct.pack(">I", _fast.adler32(data))
    parts = (*_stored(low), rest.compress(data[data.size // 2 :]), rest.flush())
    return b"".join((_ZLIB_HEADER, *parts, check))


def inflated(data: bytes, itemsize: int) -> NDArray[np.uint8]:
    """The planes of a chunk that was shuffled and deflated, (byte of a value, value).

    Raises
    ------
    ValueError
        The data are no such chunk.
    """
    try:
        whole = zlib.decompress(data) if _fast is None else _fast.decompress(data)
    except (zlib.error, _INFLATE_ERROR) as error:
        raise ValueError(f"not a deflated chunk: {error}") from error
    return np.frombuffer(whole, np.uint8).reshape(itemsize, -1)


def regrouped(planes: NDArray[np.uint8], dtype: np.dtype[Any]) -> NDArray[Any]:
    """The values, (value,), of planes (byte of a value, value): undoes `shuffled`."""
    values = np.empty(planes.shape[::-1], np.uint8)
    for byte, plane in enumerate(planes):
        values[:, byte] = plane
    return values.reshape(-1).view(dtype)


def _shrinks(plane: memoryview) -> bool:
    """Whether a part of a plane, from its middle, gets smaller when it is deflated."""
    start = max(len(plane) - TRIAL_BYTES, 0) // 2
    some = plane[start : start + TRIAL_BYTES]
    return len(_fast.compress(some, 1)) < (1 - WORTH_DEFLATING) * len(some)


def _stored(plane: memoryview) -> list[bytes | memoryview]:
    """A plane as deflate's stored blocks, none of them the stream's last."""
    parts: list[bytes | memoryview] = []
    for at in range(0, len(plane), _STORED_MOST):
        part = plane[at : at + _STORED_MOST]
        parts += [struct.pack("<BHH", 0, len(part), len(part) ^ 0xFFFF), part]
    return parts
