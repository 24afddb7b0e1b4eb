"""`latest` leads to the newest run, is never taken for a run, and never costs one."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from pipeline.flight.finished_runs import finished_runs, runs_by_flight
from pipeline.flight.latest import lead_to_latest

OLD, NEW = "0123456789ab", "ba9876543210"


def made(folder: Path, *runs: str) -> Path:
    for i, run in enumerate(runs):
        (folder / run).mkdir(parents=True)
        (folder / run / "run.json").write_text("{}")
        os.utime(folder / run / "run.json", (1e9 + i, 1e9 + i))
    return folder


def test_it_leads_to_the_newest_run_and_is_none(tmp_path: Path) -> None:
    flight = made(tmp_path / "june", OLD, NEW)
    assert lead_to_latest(flight, make=True)
    assert (flight / "latest").readlink() == Path(NEW)
    assert (flight / "latest" / "run.json").read_text() == "{}"
    assert [run.name for run in finished_runs(flight)] == [OLD, NEW]
    assert [[run.name for run in runs] for runs in runs_by_flight(tmp_path)] == [[OLD, NEW]]
    moved = tmp_path.rename(tmp_path.with_name("moved"))
    assert (moved / "june" / "latest" / "run.json").is_file()


def test_a_run_keeps_it_from_going_stale_but_makes_none(tmp_path: Path) -> None:
    flight = made(tmp_path / "june", OLD)
    assert not lead_to_latest(flight, make=False)
    assert not os.path.lexists(flight / "latest")
    lead_to_latest(flight, make=True)
    made(flight, NEW)
    os.utime(flight / NEW / "run.json", (2e9, 2e9))
    assert lead_to_latest(flight, make=False)
    assert (flight / "latest").readlink() == Path(NEW)


def test_without_links_it_is_a_text_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuses(self: Path, target: str, target_is_directory: bool = False) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(Path, "symlink_to", refuses)
    flight = made(tmp_path / "june", OLD)
    assert lead_to_latest(flight, make=True)
    assert (flight / "latest").read_text() == f"{OLD}\n"
    made(flight, NEW)
    os.utime(flight / NEW / "run.json", (2e9, 2e9))
    assert lead_to_latest(flight, make=False)
    assert (flight / "latest").read_text() == f"{NEW}\n"
    assert [run.name for run in finished_runs(flight)] == [OLD, NEW]


def test_what_a_person_put_there_stays(tmp_path: Path) -> None:
    flight = made(tmp_path / "june", OLD)
    (flight / "latest").mkdir()
    (flight / "latest" / "notes").write_text("mine")
    assert not lead_to_latest(flight, make=True)
    assert (flight / "latest" / "notes").read_text() == "mine"
    assert not os.path.lexists(flight / ".latest")


def test_a_full_disk_and_a_kill_cost_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flight = made(tmp_path / "june", OLD)
    (flight / ".latest").symlink_to("a killed run's")
    assert lead_to_latest(flight, make=True)
    made(flight, NEW)
    os.utime(flight / NEW / "run.json", (2e9, 2e9))

    def full(self: Path, target: str, target_is_directory: bool = False) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "symlink_to", full)
    assert not lead_to_latest(flight, make=False)
    assert (flight / "latest").readlink() == Path(OLD)
