"""Cubes in a folder of raster files, one line each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from pipeline.config.flight import Frames
from pipeline.config.sensor import Sensor
from pipeline.errors import ConfigError, InputError
from pipeline.files import file_sha256
from pipeline.read.order import in_order
from pipeline.read.raster import file_stamp, kind_of, open_raster, short, words_of
from pipeline.read.reader import Digest, Rooms, changed, exact
from pipeline.read.settings import settings_of
from pipeline.read.spectrum import bands_of
from pipeline.records import Capture


@dataclass(frozen=True, eq=False)
class FrameFiles:
    """How counts lie in a folder of frames."""

    rows_are_bands: bool  # else they are samples
    dtype: np.dtype[Any]
    order: NDArray[np.intp]  # sorts a frame's bands by wavelength


def describe(path: Path, sensor: Sensor, frames: Frames | None) -> Capture:
    """Describe a cube from its first frame.

    Parameters
    ----------
    path : the folder; its files that match `frames.files`, in natural order of their names (2
        before 10), are the cube's lines
    sensor : its wavelengths, where it gives any; else they are those of the first frame's tags
    frames : whether a frame's rows are bands or samples

    Raises
    ------
    InputError
        No frame, or a first one that is no raster of a single band.
    ConfigError
        The config does not say how frames lie, or its wavelengths are not those of these frames.
    """
    if frames is None:
        raise ConfigError(
            f"{path} is a folder, and nothing says how its files lie", where="flight.frames"
        )
    files = _files(path, frames.files)
    if not files:
        raise InputError(f"the folder has no file that matches {frames.files!r}", where=path)
    with open_raster(files[0]) as first:
        words, (rows, columns), kind = words_of(first), first.shape, kind_of(first, files[0])
        if first.count != 1:
            raise InputError(
                f"{first.count} bands; expected one, for a frame is one line", where=files[0]
            )
    rows_are_bands = frames.rows == "bands"
    bands, samples = (rows, columns) if rows_are_bands else (columns, rows)
    spectrum = bands_of(words, bands, sensor, files[0])
    return Capture(
        name=capture_name(path),
        header=files[0],
        data=path,
        files=tuple(files),
        lines=len(files),
        bands=bands,
        samples=samples,
        itemsize=min(kind.itemsize, 4),
        claimed_bytes=sum(file_stamp(file)[0] for file in files),
        layout=f"frames {kind.name}",
        by_line=True,
        wavelength_nm=spectrum.wavelength_nm,
        fwhm_nm=spectrum.fwhm_nm,
        settings=settings_of(words, sensor, files[0]),
        stored=FrameFiles(rows_are_bands, kind, spectrum.order),
    )


def capture_name(path: Path) -> str:
    """Name of a capture: its folder's."""
    return path.name


def _files(folder: Path, pattern: str) -> list[Path]:
    try:
        found = [p for p in folder.glob(pattern) if p.is_file() and not p.name.startswith(".")]
    except (OSError, ValueError, NotImplementedError) as error:
        raise InputError(f"its frames cannot be listed: {error}", where=folder) from None
    return in_order(found)


class FramesReader:
    """An open folder of frames; see `Reader`. A frame is opened when its line is read."""

    def __init__(self, capture: Capture) -> None:
        assert isinstance(capture.stored, FrameFiles)
        self.capture = capture
        self._stored = capture.stored
        self._rooms = Rooms()

    def __enter__(self) -> Self:
        self._stamps = [file_stamp(file) for file in self.capture.files]
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is not None:
            return
        for file, stamp in zip(self.capture.files, self._stamps, strict=True):
            if file_stamp(file) != stamp:
                raise changed(file)

    def lines(self, start: int, stop: int) -> NDArray[Any]:
        """Raw counts, see `Reader.lines`."""
        return self._filled(start, stop, None)

    def blocks(
        self, lines_per_block: int, *, digest: Digest | None = None, once: bool = False
    ) -> Iterator[tuple[int, NDArray[Any]]]:
        """All lines in order, see `Reader.blocks`; the digest rides behind each block."""
        if lines_per_block < 1:
            raise ValueError(f"lines_per_block is {lines_per_block}; expected 1 or more")
        cube = self.capture
        self._rooms.clear()
        for start in range(0, cube.lines, lines_per_block):
            stop = min(start + lines_per_block, cube.lines)
            room = self._rooms.take(start, lambda: self._empty(min(lines_per_block, cube.lines)))
            counts = self._filled(start, stop, room)
            if digest is not None:
                self._add(digest, start, stop)
            yield start, counts

    def give_back(self, start: int) -> None:
        """Let the memory of the block that starts at a line be filled by a later one."""
        self._rooms.give_back(start)

    def add_to(self, digest: Digest) -> None:
        """Let a digest take in each frame's digest and name, as `sha256sum` prints them.

        So that `sha256sum * | sha256sum` in the folder gives the capture's digest, where the
        names sort alike.
        """
        self._add(digest, 0, self.capture.lines)

    def _add(self, digest: Digest, start: int, stop: int) -> None:
        for file in self.capture.files[start:stop]:
            digest.update(f"{file_sha256(file)}  {file.name}\n".encode())

    def _empty(self, lines: int) -> NDArray[Any]:
        return np.empty((lines, self.capture.bands, self.capture.samples), self._stored.dtype)

    def _filled(self, start: int, stop: int, room: NDArray[Any] | None) -> NDArray[Any]:
        cube, stored = self.capture, self._stored
        if not 0 <= start <= stop <= cube.lines:
            raise ValueError(f"lines {start} to {stop} of a cube of {cube.lines} lines")
        raw = (self._empty(stop - start) if room is None else room)[: stop - start]
        for row, file in zip(raw, cube.files[start:stop], strict=True):
            frame = self._frame(file)
            row[:] = (frame if stored.rows_are_bands else frame.T)[stored.order]
        return exact(raw, cube, start)

    def _frame(self, file: Path) -> NDArray[Any]:
        from rasterio.errors import RasterioError

        shape = (self.capture.bands, self.capture.samples)
        with open_raster(file) as found:
            if (
                found.count != 1
                or found.shape != (shape if self._stored.rows_are_bands else shape[::-1])
                or found.dtypes[0] != self._stored.dtype.name
            ):
                raise InputError(
                    f"unlike the first frame, {self.capture.files[0].name}, in shape or type",
                    where=file,
                )
            try:
                frame: NDArray[Any] = found.read(1)
            except (RasterioError, OSError) as error:
                raise InputError(f"cannot be read: {short(error)}", where=file) from None
        return frame
