"""The few errors of ours.

ReflectoryError          exit 2
├── ConfigError          the TOML is wrong: which key, what was expected, what was got
├── InputError           a recorded or tabulated file is wrong: which file, line, column
├── CalibrationError     the inputs are readable but cannot be calibrated
├── OutputError          results cannot be written: disk full, no permission (exit 1)
└── BusyError            another sweep holds the lock (exit 3)
"""

from __future__ import annotations

import os

from pipeline.foreign import one_line as one_line


class ReflectoryError(Exception):
    """What is wrong, where, and what to do, in one line.

    Parameters
    ----------
    what : what is wrong, with what was expected and what was got
    where : file, key or capture concerned
    line, column : place in a table, counted from 1; a column may be a name
    do : what the user can do about it
    """

    exit_code = 2

    def __init__(
        self,
        what: str,
        *,
        where: str | os.PathLike[str] = "",
        line: int | None = None,
        column: str | int | None = None,
        do: str = "",
    ) -> None:
        super().__init__(what)
        self.what, self.where, self.line, self.column, self.do = what, where, line, column, do

    def __str__(self) -> str:
        place = str(self.where)
        if self.line is not None:
            place += f", line {self.line}"
        if self.column is not None:
            place += f", column {self.column}"
        text = f"{place}: {self.what}" if place else self.what
        return one_line(f"{text}. {self.do}" if self.do else text)

    def __reduce__(self) -> tuple[object, ...]:
        # Keyword-only arguments do not survive the default pickling, and errors cross processes.
        return (_rebuild, (type(self), self.what, self.where, self.line, self.column, self.do))


def _rebuild(
    kind: type[ReflectoryError],
    what: str,
    where: str | os.PathLike[str],
    line: int | None,
    column: str | int | None,
    do: str,
) -> ReflectoryError:
    return kind(what, where=where, line=line, column=column, do=do)


class ConfigError(ReflectoryError):
    """The configuration is wrong."""


class InputError(ReflectoryError):
    """A recorded or tabulated input is wrong or missing."""


class CalibrationError(ReflectoryError):
    """The inputs are readable, but no calibration follows from them."""


class OutputError(ReflectoryError):
    """Results cannot be written."""

    exit_code = 1


class BusyError(ReflectoryError):
    """Another sweep is at work."""

    exit_code = 3
