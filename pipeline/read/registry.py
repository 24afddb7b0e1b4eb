"""The forms of a capture, by what is found on disk: one row each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from pipeline.config.flight import Sensor
from pipeline.errors import InputError
from pipeline.read import flat_binary
from pipeline.read.reader import Reader
from pipeline.records import Capture


@dataclass(frozen=True)
class Form:
    """A form that captures have on disk."""

    takes: Callable[[Path], bool]  # whether a path is one of this form
    describe: Callable[[Path, Sensor], Capture]
    stored: type  # of its captures' `stored`
    reader: Callable[[Capture], Reader]


#: The first one that takes a path has it.
FORMS = (
    Form(
        takes=flat_binary.is_header,
        describe=flat_binary.describe,
        stored=flat_binary.FlatBinary,
        reader=flat_binary.FlatBinaryReader,
    ),
)


def describe(path: Path, sensor: Sensor) -> Capture:
    """Describe what lies at a path, without reading its counts.

    Raises InputError or ConfigError where it cannot be used, see the form's own `describe`.
    """
    for form in FORMS:
        if form.takes(path):
            return form.describe(path, sensor)
    raise InputError("not a header (.hdr)", where=path)


def open_capture(capture: Capture) -> Reader:
    """The reader of a capture; to be entered before it reads."""
    return next(form for form in FORMS if isinstance(capture.stored, form.stored)).reader(capture)
