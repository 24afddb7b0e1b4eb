"""One line an event, whatever is in it, and never in a run's way."""

from __future__ import annotations

import datetime as dt
import json
import math
import os
from pathlib import Path

import pytest

from pipeline.errors import OutputError
from pipeline.progress.event_log import About, Both, LogFile


def rows(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in path.read_text("ascii").splitlines()]


def test_an_event_is_a_line_with_time_level_flight_and_cube(tmp_path: Path) -> None:
    with LogFile(tmp_path / "log") as log:
        About(log, flight="june").event("cube written", cube="strip-00", seconds=1.5)
        About(log, flight="june").event("cube refused", cube="strip-01", why="short")
    first, second = rows(tmp_path / "log")
    assert dt.datetime.fromisoformat(str(first.pop("time"))).tzinfo == dt.UTC
    assert first == {
        "level": "info",
        "event": "cube written",
        "flight": "june",
        "cube": "strip-00",
        "seconds": 1.5,
    }
    assert second["level"] == "warning"


@pytest.mark.parametrize("text", ["a\nb", "\r\n\x85\u2028\x1b[31m\0", "\udcff", '"}\\'])
def test_no_text_breaks_a_line(tmp_path: Path, text: str) -> None:
    with LogFile(tmp_path / "log") as log:
        log.event(text, **{"cube": text, text: [text, {text: Path(text)}]})
    (row,) = rows(tmp_path / "log")
    assert row["event"] == row["cube"] == text


def test_numbers_that_json_has_not_are_null(tmp_path: Path) -> None:
    with LogFile(tmp_path / "log") as log:
        log.event("x", a=math.nan, b=[math.inf, 1], c=True)
    (row,) = rows(tmp_path / "log")
    assert (row["a"], row["b"], row["c"]) == (None, [None, 1], True)


def test_lines_are_there_at_once_and_earlier_ones_stay(tmp_path: Path) -> None:
    path = tmp_path / "log"
    for flight in ("one", "two"):
        with LogFile(path) as log:
            log.event("begun", flight=flight)
            assert rows(path)[-1]["flight"] == flight
    assert len(rows(path)) == 2


def test_a_stage_says_steps_and_seconds(tmp_path: Path) -> None:
    with LogFile(tmp_path / "log") as log, log.stage("dark", 10) as done:
        done(4)
        done(6)
    (row,) = rows(tmp_path / "log")
    assert (row["stage"], row["steps"], row["done"]) == ("dark", 10, 10)
    assert isinstance(row["seconds"], float)


def test_the_error_that_ends_a_run_is_its_last_line(tmp_path: Path) -> None:
    with pytest.raises(OutputError), LogFile(tmp_path / "log"):
        raise OutputError("disk full")
    assert rows(tmp_path / "log")[-1]["why"] == "disk full"


@pytest.mark.parametrize("place", ["absent/log", "."])
def test_a_log_that_cannot_be_opened_is_an_error_at_the_start(tmp_path: Path, place: str) -> None:
    with pytest.raises(OutputError, match="cannot write the log") as error:
        LogFile(tmp_path / place)
    assert error.value.exit_code == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_a_log_on_a_full_disk_stops_nothing() -> None:
    with LogFile("/dev/full") as log, log.stage("cubes", 1) as done:
        log.event("cube written")
        done(1)


def test_a_line_written_in_part_does_not_spoil_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = os.write
    with LogFile(tmp_path / "log") as log:
        monkeypatch.setattr(os, "write", lambda fd, data: write(fd, data[:20]))
        log.event("torn")
        monkeypatch.setattr(os, "write", write)
        log.event("whole")
    assert json.loads((tmp_path / "log").read_text().splitlines()[-1])["event"] == "whole"


def test_both_are_told_the_same(tmp_path: Path) -> None:
    with LogFile(tmp_path / "a") as a, LogFile(tmp_path / "b") as b:
        both = Both(a, b)
        both.event("begun", cube="x")
        with both.stage("dark", 3) as done:
            done(3)
    one, other = rows(tmp_path / "a"), rows(tmp_path / "b")
    assert [r["event"] for r in one] == [r["event"] for r in other] == ["begun", "stage"]
    assert one[1]["done"] == other[1]["done"] == 3
