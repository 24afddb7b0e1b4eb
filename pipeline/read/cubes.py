"""Raw cubes on disk, read by position.

Not by memory map: a file that shrinks while it is mapped kills the process, and one that is read
by position is a clear error.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.read.headers import require_size
from pipeline.records import Capture

_CHUNK = 1 << 20


class Digest(Protocol):
    """What `hashlib.sha256()` returns."""

    def update(self, data: bytes | memoryview, /) -> None: ...


class RawCube:
    """An open raw cube; a context manager, and safe to read from several threads.

    Entering proves that the file has the size its header claims, so that no buffer is ever made
    by the header's word alone. Leaving proves that size and modification time are still those at
    the start. All failures are InputError.
    """

    def __init__(self, capture: Capture) -> None:
        self.capture = capture
        self._fd = -1
        sorted_already = np.array_equal(capture.order, np.arange(capture.bands))
        self._order = None if sorted_already else capture.order
        self._spare: list[NDArray[Any]] = []
        self._lent: dict[int, NDArray[Any]] = {}

    def __enter__(self) -> Self:
        try:
            self._fd = os.open(self.capture.data, os.O_RDONLY | os.O_CLOEXEC)
            self._opened = os.fstat(self._fd)
            require_size(self.capture, self._opened.st_size)
        except OSError as error:
            self._close()
            raise InputError(f"cannot be read: {error.strerror}", where=self.capture.data) from None
        except InputError:
            self._close()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if error is None:
                self.require_unchanged()
        finally:
            self._close()

    def _close(self) -> None:
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def require_unchanged(self) -> None:
        """InputError if the file's size or modification time changed since it was opened."""
        try:
            now = os.fstat(self._fd)
        except OSError as error:
            raise InputError(f"cannot be read: {error.strerror}", where=self.capture.data) from None
        opened = self._opened
        if (now.st_size, now.st_mtime_ns) != (opened.st_size, opened.st_mtime_ns):
            raise self._changed()

    def lines(self, start: int, stop: int) -> NDArray[Any]:
        """Raw counts of lines start to stop, stop not included.

        Returns
        -------
        (line, band, sample) [count] in native byte order, bands sorted by wavelength. A fresh
        array, for bip and bsq a transposed view of it; copied only where bands must be sorted.
        Lines outside the cube are a ValueError.
        """
        return self._arranged(self._filled(start, stop))

    def blocks(
        self, lines_per_block: int, *, digest: Digest | None = None, once: bool = False
    ) -> Iterator[tuple[int, NDArray[Any]]]:
        """All lines in order, as pairs of a block's first line and its counts.

        Every block is an array of its own, held until it is given back (`give_back`) for a later
        one to fill: fresh pages cost as much as reading.

        `digest` has taken in the whole file, header offset first and in file order, once the
        last block is drawn and the iteration has ended. For bil and bip it rides on the same
        read. A bsq file does not lie in the order of its lines; it is read again at the end.

        `once` tells the system that what was read need not be kept in memory for another time.
        """
        if lines_per_block < 1:
            raise ValueError(f"lines_per_block is {lines_per_block}; expected 1 or more")
        cube = self.capture
        along = digest if cube.interleave != "bsq" else None
        self._spare.clear()
        if along is not None:
            self._digest_span(along, 0, cube.offset_bytes)
        for start in range(0, cube.lines, lines_per_block):
            stop = min(start + lines_per_block, cube.lines)
            try:
                room = self._spare.pop()
            except IndexError:
                room = self._empty(min(lines_per_block, cube.lines))
            self._lent[start] = room
            raw = self._filled(start, stop, along, room)
            # Read ahead while these lines are worked on.
            self._advise(stop, min(stop + lines_per_block, cube.lines), "WILLNEED")
            if once:
                self._advise(start, stop, "DONTNEED")
            yield start, self._arranged(raw)
        if digest is not None and along is None:
            self._digest_span(digest, 0, cube.claimed_bytes)

    def give_back(self, start: int) -> None:
        """Let the memory of the block that starts at a line be filled by a later one."""
        self._spare.append(self._lent.pop(start))

    def _advise(self, start: int, stop: int, advice: str) -> None:
        """Tell the system what comes of lines; a bsq file's do not lie together."""
        cube = self.capture
        if cube.interleave == "bsq" or start >= stop or not hasattr(os, "posix_fadvise"):
            return
        line_bytes = cube.bands * cube.samples * cube.dtype.itemsize
        position, size = cube.offset_bytes + start * line_bytes, (stop - start) * line_bytes
        with suppress(OSError):
            os.posix_fadvise(self._fd, position, size, getattr(os, f"POSIX_FADV_{advice}"))

    def _empty(self, lines: int) -> NDArray[Any]:
        """Room for lines as they lie in the file: (line, band, sample), (line, sample, band) or
        (band, line, sample)."""
        cube = self.capture
        shape = {
            "bil": (lines, cube.bands, cube.samples),
            "bip": (lines, cube.samples, cube.bands),
            "bsq": (cube.bands, lines, cube.samples),
        }[cube.interleave]
        return np.empty(shape, cube.dtype)

    def _filled(
        self,
        start: int,
        stop: int,
        along: Digest | None = None,
        room: NDArray[Any] | None = None,
    ) -> NDArray[Any]:
        """Counts as they lie in the file, a bsq file's sorted by wavelength already; in the
        memory of `room`, which holds as many lines or more, where it is given."""
        cube = self.capture
        if not 0 <= start <= stop <= cube.lines:
            raise ValueError(f"lines {start} to {stop} of a cube of {cube.lines} lines")
        count, size = stop - start, cube.dtype.itemsize
        room = self._empty(count) if room is None else room
        raw = room[:, :count] if cube.interleave == "bsq" else room[:count]
        if cube.interleave == "bsq":
            for row, band in zip(raw, cube.order.tolist(), strict=True):
                first = (band * cube.lines + start) * cube.samples
                self._fill(row, cube.offset_bytes + first * size)
            return raw
        first = cube.offset_bytes + start * cube.bands * cube.samples * size
        if along is None:
            self._fill(raw, first)
            return raw
        # In steps that are still in the processor's cache when they are digested.
        flat = raw.reshape(-1).view(np.uint8)
        for at in range(0, flat.size, _CHUNK):
            part = flat[at : at + _CHUNK]
            self._fill(part, first + at)
            along.update(part.data)
        return raw

    def _arranged(self, raw: NDArray[Any]) -> NDArray[Any]:
        """(line, band, sample), native and sorted; swaps the bytes of `raw` in place."""
        if not raw.dtype.isnative:
            raw = raw.byteswap(inplace=True).view(raw.dtype.newbyteorder("="))
        if self.capture.interleave == "bsq":
            return raw.transpose(1, 0, 2)
        if self.capture.interleave == "bip":
            raw = raw.transpose(0, 2, 1)
        return raw if self._order is None else raw[:, self._order]

    def _fill(self, array: NDArray[Any], position: int) -> None:
        if not array.size:
            return
        view = _bytes_of(array)
        done = 0
        while done < len(view):
            # One call gives at most 2 GiB, and may give less.
            try:
                got = os.preadv(self._fd, [view[done:]], position + done)
            except OSError as error:
                raise InputError(
                    f"cannot be read: {error.strerror}", where=self.capture.data
                ) from None
            if got == 0:
                raise self._changed()
            done += got

    def _digest_span(self, digest: Digest, start: int, stop: int) -> None:
        buffer = np.empty(min(_CHUNK, max(stop - start, 0)), np.uint8)
        for position in range(start, stop, _CHUNK):
            part = buffer[: min(_CHUNK, stop - position)]
            self._fill(part, position)
            digest.update(_bytes_of(part))

    def _changed(self) -> InputError:
        return InputError(
            "changed while it was read", where=self.capture.data, do="Wait until it is copied whole"
        )


def _bytes_of(array: NDArray[Any]) -> memoryview:
    """The memory of a contiguous array; `memoryview.cast` refuses foreign byte orders."""
    return array.reshape(-1).view(np.uint8).data


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, as 64 hexadecimal digits; InputError if it cannot be read."""
    try:
        if not path.is_file():
            raise InputError("no such file", where=path)
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=path) from None


def thin_lines(n_lines: int, wanted: int) -> NDArray[np.intp]:
    """About `wanted` of `n_lines` lines, evenly spread from first to last, without repeats."""
    if n_lines < 1 or wanted < 1:
        raise ValueError(f"{wanted} of {n_lines} lines; expected 1 or more of each")
    if wanted == 1:
        return np.array([n_lines // 2], dtype=np.intp)
    return np.unique(np.linspace(0, n_lines - 1, min(wanted, n_lines)).round().astype(np.intp))
