"""Errors say what, where and what to do, in one line, wherever they travel."""

from __future__ import annotations

import copy
import pickle
from pathlib import Path

import pytest

from pipeline import errors
from pipeline.errors import (
    BusyError,
    CalibrationError,
    ConfigError,
    InputError,
    OutputError,
    ReflectoryError,
    one_line,
)

KINDS = [ConfigError, InputError, CalibrationError, OutputError, BusyError]


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (InputError("no such file"), "no such file"),
        (InputError("bad", where="a.csv"), "a.csv: bad"),
        (InputError("bad", where=Path("a.csv"), line=3), "a.csv, line 3: bad"),
        (InputError("bad", where="a.csv", line=3, column=2), "a.csv, line 3, column 2: bad"),
        (InputError("bad", where="a.csv", column="time"), "a.csv, column time: bad"),
        (InputError("bad", where="a.csv", do="Mend it"), "a.csv: bad. Mend it"),
        (InputError("bad\nworse", where="a\r\x1b[31m.csv"), "a\\r\\x1b[31m.csv: bad\\nworse"),
    ],
)
def test_one_line(error: ReflectoryError, text: str) -> None:
    assert str(error) == text
    assert len(str(error).splitlines()) == 1


@pytest.mark.parametrize("text", ["a\u2028b", "a\x85b", "a\x0bb", "a\x1cb", "a\udc80b"])
def test_every_kind_of_line_break_is_made_visible(text: str) -> None:
    shown = one_line(text)
    assert len(shown.splitlines()) == 1
    shown.encode()


@pytest.mark.parametrize("kind", KINDS)
def test_errors_cross_processes_whole(kind: type[ReflectoryError]) -> None:
    error = kind("what", where="file", line=2, column="c", do="Do it")
    for other in (pickle.loads(pickle.dumps(error)), copy.copy(error)):
        assert type(other) is kind
        assert str(other) == str(error)
        assert (other.what, other.line, other.exit_code) == ("what", 2, kind.exit_code)


def test_exit_codes() -> None:
    assert {kind.__name__: kind.exit_code for kind in KINDS} == {
        "ConfigError": 2, "InputError": 2, "CalibrationError": 2, "OutputError": 1, "BusyError": 3,
    }  # fmt: skip


def test_the_tree_at_the_top_of_the_file_is_whole() -> None:
    assert errors.__doc__ is not None
    for kind in (ReflectoryError, *KINDS):
        assert kind.__name__ in errors.__doc__
    assert set(ReflectoryError.__subclasses__()) == set(KINDS)
