"""A small file is whole or not there, and what a killed writer left goes with the next one."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from pipeline.write.small_file import write_bytes, write_text

KILLED = """
import os, signal, sys
from pathlib import Path
from pipeline.write.small_file import write_text

def killed(descriptor):
    os.kill(os.getpid(), signal.SIGKILL)

os.fsync = killed
write_text(Path(sys.argv[1]), "half")
"""


def hidden(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.glob(".*"))


def test_a_killed_writers_file_is_taken_away_by_the_next(tmp_path: Path) -> None:
    write_text(tmp_path / "kept", "before")
    done = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path / "kept")], check=False)
    assert done.returncode == -signal.SIGKILL
    assert len(hidden(tmp_path)) == 1
    assert (tmp_path / "kept").read_text() == "before"
    write_text(tmp_path / "another", "after")
    assert hidden(tmp_path) == []
    assert (tmp_path / "kept").read_text() == "before"


def test_one_that_is_being_written_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One writer waits at its flush while another writes in the same folder."""
    reached, goes_on, flush = threading.Event(), threading.Event(), os.fsync

    def waits(descriptor: int) -> None:
        if threading.current_thread() is slow:
            reached.set()
            assert goes_on.wait(20)
        flush(descriptor)

    slow = threading.Thread(target=write_text, args=(tmp_path / "slow", "whole"))
    monkeypatch.setattr(os, "fsync", waits)
    slow.start()
    assert reached.wait(20)
    beside = hidden(tmp_path)
    write_text(tmp_path / "quick", "whole")
    assert len(beside) == 1
    assert hidden(tmp_path) == beside
    goes_on.set()
    slow.join()
    assert hidden(tmp_path) == []
    assert (tmp_path / "slow").read_text() == "whole"


def test_one_taken_away_before_its_lock_is_written_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flush, taken = os.fsync, []

    def takes_it(descriptor: int) -> None:
        flush(descriptor)
        if not taken:
            taken.extend(tmp_path.glob(".*"))
            taken[0].unlink()

    monkeypatch.setattr(os, "fsync", takes_it)
    write_bytes(tmp_path / "file", b"content")
    assert len(taken) == 1
    assert (tmp_path / "file").read_bytes() == b"content"
    assert hidden(tmp_path) == []


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        write_text(tmp_path / "gone" / "file", "content")


def test_a_failure_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_text(tmp_path / "file", "before")

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_text(tmp_path / "file", "after")
    assert hidden(tmp_path) == []
    assert (tmp_path / "file").read_text() == "before"


def test_nothing_of_another_name_is_taken_away(tmp_path: Path) -> None:
    (tmp_path / ".notes").touch()
    (tmp_path / ".folder.writing-x").mkdir()
    (tmp_path / ".link.writing-x").symlink_to(tmp_path / ".notes")
    write_text(tmp_path / "file", "content")
    assert hidden(tmp_path) == [".folder.writing-x", ".link.writing-x", ".notes"]
