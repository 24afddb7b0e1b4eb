"""Flat binary cubes with a text header beside them, read by position.

Not by memory map: a file that shrinks while it is mapped kills the process, and one that is read
by position is a clear error.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self, cast

import numpy as np
from numpy.typing import NDArray

from pipeline.config.sensor import Sensor
from pipeline.errors import InputError
from pipeline.files import open_descriptor
from pipeline.read.data_files import capture_name, find_data_file
from pipeline.read.headers import Words, count_of, read_words, text_of
from pipeline.read.reader import Digest, Rooms, changed, exact, require_size
from pipeline.read.settings import settings_of
from pipeline.read.spectrum import bands_of
from pipeline.records import Capture

#: numpy's type of each `data type` code of the header, without byte order.
_DATA_TYPES = {"1": "u1", "2": "i2", "3": "i4", "4": "f4", "12": "u2", "13": "u4"}
_CHUNK = 1 << 20


@dataclass(frozen=True, eq=False)
class FlatBinary:
    """How counts lie in a flat binary file."""

    interleave: Literal["bil", "bip", "bsq"]
    dtype: np.dtype[Any]  # byte order included
    offset_bytes: int
    order: NDArray[np.intp]  # sorts the file's bands by wavelength


def describe(path: Path, sensor: Sensor) -> Capture:
    """Describe a raw cube from its header.

    Parameters
    ----------
    path : the header, `<stem>.hdr` or `<data file>.hdr`
    sensor : its words for the header's keys, and its wavelengths where it gives any

    Returns
    -------
    Capture
        A missing `byte order` is little-endian and a missing `header offset` 0, as GDAL takes
        them. The size on disk is not judged here: see `require_whole`.

    Raises
    ------
    InputError
        The header or its data file is missing, unreadable, contradictory or not supported.
    ConfigError
        The sensor's wavelengths or widths are not those of this file.
    """
    path = Path(path)
    words = read_words(path)
    lines, bands, samples = (count_of(words, key, path) for key in ("lines", "bands", "samples"))
    offset = count_of(words, "header offset", path, least=0, default="0")
    _refuse_frame_offsets(words, path)
    dtype = _data_type(words, path)
    interleave = text_of(words, "interleave", path).lower()
    if interleave not in ("bil", "bip", "bsq"):
        raise InputError(f"interleave is {interleave!r}; expected bil, bip or bsq", where=path)
    found = bands_of(words, bands, sensor, path)
    claimed = offset + lines * bands * samples * dtype.itemsize
    data = find_data_file(path, claimed)
    return Capture(
        name=capture_name(path),
        header=path,
        data=data,
        files=(data,),
        lines=lines,
        bands=bands,
        samples=samples,
        itemsize=dtype.itemsize,
        claimed_bytes=claimed,
        layout=f"{interleave} {dtype.newbyteorder('=').name}",
        by_line=interleave != "bsq",
        wavelength_nm=found.wavelength_nm,
        fwhm_nm=found.fwhm_nm,
        settings=settings_of(words, sensor, path),
        stored=FlatBinary(
            cast(Literal["bil", "bip", "bsq"], interleave), dtype, offset, found.order
        ),
    )


def _data_type(words: Words, path: Path) -> np.dtype[Any]:
    code = text_of(words, "data type", path)
    if code not in _DATA_TYPES:
        raise InputError(
            f"data type {code[:40]!r} is not supported; expected {', '.join(_DATA_TYPES)}",
            where=path,
        )
    byte_order = text_of(words, "byte order", path, "0")
    if byte_order not in ("0", "1"):
        raise InputError(
            f"byte order is {byte_order[:40]!r}; expected 0 (little-endian) or 1", where=path
        )
    return np.dtype("<>"[int(byte_order)] + _DATA_TYPES[code])


def _refuse_frame_offsets(words: Words, path: Path) -> None:
    for key in ("major frame offsets", "minor frame offsets"):
        value = words.get(key, "0")
        if any(text.strip() != "0" for text in ([value] if isinstance(value, str) else value)):
            raise InputError(f"{key!r} other than 0 are not supported", where=path)


class FlatBinaryReader:
    """An open flat binary cube; see `Reader`.

    Entering proves that the file has the size its header claims. Leaving proves that size and
    modification time are still those at the start.
    """

    def __init__(self, capture: Capture) -> None:
        assert isinstance(capture.stored, FlatBinary)
        self.capture = capture
        self._stored = capture.stored
        self._fd = -1
        sorted_already = np.array_equal(self._stored.order, np.arange(capture.bands))
        self._order = None if sorted_already else self._stored.order
        self._rooms = Rooms()

    def __enter__(self) -> Self:
        self._fd = open_descriptor(self.capture.data)
        try:
            self._opened = os.fstat(self._fd)
            require_size(self.capture, self._opened.st_size)
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
                self._require_unchanged()
        finally:
            self._close()

    def _close(self) -> None:
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def _require_unchanged(self) -> None:
        """InputError if the file's size or modification time changed since it was opened."""
        try:
            now = os.fstat(self._fd)
        except OSError as error:
            raise InputError(f"cannot be read: {error.strerror}", where=self.capture.data) from None
        opened = self._opened
        if (now.st_size, now.st_mtime_ns) != (opened.st_size, opened.st_mtime_ns):
            raise changed(self.capture.data)

    def lines(self, start: int, stop: int) -> NDArray[Any]:
        """Raw counts, see `Reader.lines`; a fresh array, for bip and bsq a transposed view of it,
        copied only where bands must be sorted."""
        return exact(self._arranged(self._filled(start, stop)), self.capture, start)

    def blocks(
        self, lines_per_block: int, *, digest: Digest | None = None, once: bool = False
    ) -> Iterator[tuple[int, NDArray[Any]]]:
        """All lines in order, see `Reader.blocks`.

        For bil and bip the digest rides on the same read, the header offset first. A bsq file
        does not lie in the order of its lines; it is read again at the end.
        """
        if lines_per_block < 1:
            raise ValueError(f"lines_per_block is {lines_per_block}; expected 1 or more")
        cube = self.capture
        along = digest if cube.by_line else None
        self._rooms.clear()
        if along is not None:
            self._digest_span(along, 0, self._stored.offset_bytes)
        for start in range(0, cube.lines, lines_per_block):
            stop = min(start + lines_per_block, cube.lines)
            room = self._rooms.take(start, lambda: self._empty(min(lines_per_block, cube.lines)))
            raw = self._filled(start, stop, along, room)
            # Read ahead while these lines are worked on.
            self._advise(stop, min(stop + lines_per_block, cube.lines), "WILLNEED")
            if once:
                self._advise(start, stop, "DONTNEED")
            yield start, exact(self._arranged(raw), cube, start)
        if digest is not None and along is None:
            self.add_to(digest)

    def add_to(self, digest: Digest) -> None:
        """Let a digest take in the whole file."""
        self._digest_span(digest, 0, self.capture.claimed_bytes)

    def give_back(self, start: int) -> None:
        """Let the memory of the block that starts at a line be filled by a later one."""
        self._rooms.give_back(start)

    def _advise(self, start: int, stop: int, advice: str) -> None:
        """Tell the system what comes of lines; a bsq file's do not lie together."""
        cube = self.capture
        if not cube.by_line or start >= stop or not hasattr(os, "posix_fadvise"):
            return
        line_bytes = cube.bands * cube.samples * cube.itemsize
        position, size = self._stored.offset_bytes + start * line_bytes, (stop - start) * line_bytes
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
        }[self._stored.interleave]
        return np.empty(shape, self._stored.dtype)

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
        count, size = stop - start, cube.itemsize
        room = self._empty(count) if room is None else room
        raw = room[:, :count] if self._stored.interleave == "bsq" else room[:count]
        if self._stored.interleave == "bsq":
            for row, band in zip(raw, self._stored.order.tolist(), strict=True):
                first = (band * cube.lines + start) * cube.samples
                self._fill(row, self._stored.offset_bytes + first * size)
            return raw
        first = self._stored.offset_bytes + start * cube.bands * cube.samples * size
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
        if self._stored.interleave == "bsq":
            return raw.transpose(1, 0, 2)
        if self._stored.interleave == "bip":
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
                raise changed(self.capture.data)
            done += got

    def _digest_span(self, digest: Digest, start: int, stop: int) -> None:
        buffer = np.empty(min(_CHUNK, max(stop - start, 0)), np.uint8)
        for position in range(start, stop, _CHUNK):
            part = buffer[: min(_CHUNK, stop - position)]
            self._fill(part, position)
            digest.update(_bytes_of(part))


def _bytes_of(array: NDArray[Any]) -> memoryview:
    """The memory of a contiguous array; `memoryview.cast` refuses foreign byte orders."""
    return array.reshape(-1).view(np.uint8).data
