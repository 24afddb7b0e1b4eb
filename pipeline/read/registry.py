"""The forms of a capture, by what is found on disk: one row each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.config.flight import Frames
from pipeline.config.sensor import Sensor
from pipeline.read import data_files, flat_binary, frames, raster
from pipeline.read.linearity import LinearReader, read_linearity
from pipeline.read.reader import Reader
from pipeline.records import Capture


@dataclass(frozen=True)
class Form:
    """A form that captures have on disk."""

    takes: Callable[[Path], bool]  # whether a path is one of this form
    name: Callable[[Path], str]  # of the capture at such a path
    describe: Callable[[Path, Sensor, Frames | None], Capture]
    stored: type  # of its captures' `stored`
    reader: Callable[[Capture], Reader]


#: The first one that takes a path has it.
FORMS = (
    Form(
        takes=lambda path: path.suffix.lower() == ".hdr",
        name=data_files.capture_name,
        describe=lambda path, sensor, _: flat_binary.describe(path, sensor),
        stored=flat_binary.FlatBinary,
        reader=flat_binary.FlatBinaryReader,
    ),
    Form(
        takes=Path.is_dir,
        name=frames.capture_name,
        describe=frames.describe,
        stored=frames.FrameFiles,
        reader=frames.FramesReader,
    ),
    Form(
        takes=lambda _: True,
        name=raster.capture_name,
        describe=lambda path, sensor, _: raster.describe(path, sensor),
        stored=raster.Raster,
        reader=raster.RasterReader,
    ),
)


def _form(path: Path) -> Form:
    return next(form for form in FORMS if form.takes(path))


def capture_name(path: Path) -> str:
    """Name of the capture at a path, by which its results go."""
    return _form(path).name(path)


def describe(path: Path, sensor: Sensor, frames: Frames | None = None) -> Capture:
    """Describe what lies at a path, without reading its counts.

    Raises InputError or ConfigError where it cannot be used, see the form's own `describe`.
    """
    capture = _form(path).describe(path, sensor, frames)
    if sensor.linearity is None:
        return capture
    table = read_linearity(sensor.linearity, sensor.saturation_counts)
    return replace(capture, linearity=table)


def open_capture(capture: Capture) -> Reader:
    """The reader of a capture; to be entered before it reads."""
    form = next(form for form in FORMS if isinstance(capture.stored, form.stored))
    reader = form.reader(capture)
    return reader if capture.linearity is None else LinearReader(reader, capture.linearity)
