"""Disks that are full, folders that cannot be written, raw files that change under the run."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import pipeline.calibrate.cube as cube
from pipeline.errors import OutputError, ReflectoryError
from pipeline.flight.run import run
from pipeline.inspect.verify import verify
from pipeline.read.flat_binary import FlatBinaryReader


def mounted(folder: Path, options: str) -> bool:
    folder.mkdir(exist_ok=True)
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "tmpfs", folder], capture_output=True, check=False
    )
    return done.returncode == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system with room for about half a run."""
    folder = tmp_path / "small"
    if os.geteuid() != 0 or not mounted(folder, "size=500k"):
        pytest.skip("mounting is not allowed here")
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)


def command(flight: Any, output: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "pipeline", "run", flight.config, "--output", output],
        capture_output=True,
        text=True,
        check=False,
    )


def visible(folder: Path) -> list[str]:
    """Files under final names, the kept measurement of later runs aside."""
    return [
        str(p.relative_to(folder))
        for p in folder.rglob("*")
        if p.is_file() and not any(part.startswith(".") for part in p.relative_to(folder).parts)
    ]


def require_one_line(done: subprocess.CompletedProcess[str], *words: str, code: int = 1) -> None:
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    ours = [line for line in done.stderr.splitlines() if line.startswith("reflectory: ")]
    assert len(ours) == 1, done.stderr
    for word in words:
        assert word in ours[0]


def test_a_full_disk_is_one_line_and_leaves_nothing(plain_copy: Any, small_disk: Path) -> None:
    done = command(plain_copy, small_disk)
    require_one_line(done)
    assert visible(small_disk) == []
    assert not list(small_disk.rglob(".writing*"))


@pytest.mark.parametrize("filled_kb", [20, 200, 400, 470])
def test_a_disk_that_fills_up_at_any_point(
    plain_copy: Any, small_disk: Path, filled_kb: int
) -> None:
    (small_disk / "other").write_bytes(bytes(1024 * filled_kb))
    done = command(plain_copy, small_disk)
    require_one_line(done)
    assert visible(small_disk) == ["other"]


@pytest.mark.parametrize("call", ["fsync", "rename"])
def test_an_error_of_the_disk_while_publishing(
    plain_copy: Any, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    def full(*arguments: object, **options: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, call, full)
    with pytest.raises(OutputError, match="No space left") as error:
        run(plain_copy.config, workers=1)
    monkeypatch.undo()
    assert error.value.exit_code == 1
    assert visible(plain_copy.folder / "results") == []
    assert run(plain_copy.config, workers=1).exit_code == 0


def test_a_file_where_the_folder_should_be(plain_copy: Any, tmp_path: Path) -> None:
    (tmp_path / "results").write_text("mine")
    done = command(plain_copy, tmp_path / "results")
    require_one_line(done, str(tmp_path / "results"), code=2)
    assert (tmp_path / "results").read_text() == "mine"


def test_a_read_only_mount(plain_copy: Any, small_disk: Path) -> None:
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    require_one_line(command(plain_copy, small_disk), "Read-only")


def damage(path: Path, how: str) -> None:
    match how:
        case "truncated":
            os.truncate(path, path.stat().st_size // 3)
        case "rewritten":
            path.write_bytes(bytes(path.stat().st_size))
            os.utime(path, ns=(1, 1))
        case "vanished":
            path.unlink()


@pytest.mark.parametrize("how", ["truncated", "rewritten"])
def test_a_raw_file_that_changes_while_it_is_read_is_refused(
    plain_copy: Any, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    blocks = FlatBinaryReader.blocks

    def disturbed(self: FlatBinaryReader, *arguments: Any, **options: Any) -> Iterator[Any]:
        for number, block in enumerate(blocks(self, *arguments, **options)):
            if number == 0 and self.capture.name == "strip-01" and options.get("digest"):
                damage(self.capture.data, how)
            yield block

    monkeypatch.setattr(FlatBinaryReader, "blocks", disturbed)
    result = run(plain_copy.config, workers=2)
    assert result.document["outcome"] == "partial"
    assert result.exit_code == 1
    rows: Any = result.document["cubes"]
    refused = {row["cube"]: row["why"] for row in rows if row["outcome"] == "refused"}
    assert set(refused) == {"strip-01"}
    assert "changed while it was read" in refused["strip-01"]
    assert not (result.folder / "strip-01.nc").exists()


@pytest.mark.parametrize("how", ["truncated", "vanished"])
@pytest.mark.parametrize("which", ["strip-01", "cap-before"])
def test_a_raw_file_that_is_lost_before_it_is_opened(
    plain_copy: Any, monkeypatch: pytest.MonkeyPatch, how: str, which: str
) -> None:
    enter = FlatBinaryReader.__enter__

    def late(self: FlatBinaryReader) -> FlatBinaryReader:
        if self.capture.name == which and self.capture.data.exists():
            damage(self.capture.data, how)
        return enter(self)

    monkeypatch.setattr(FlatBinaryReader, "__enter__", late)
    try:
        result = run(plain_copy.config, workers=2)
    except ReflectoryError as error:
        message, outcome = str(error), ""
    else:
        message, outcome = which, result.document["outcome"]
    assert which in message
    assert bool(visible(plain_copy.folder / "results")) == (outcome == "partial")
    assert outcome in ("", "partial") if which == "strip-01" else outcome == ""


def test_an_error_while_a_cube_is_written_leaves_no_cube(
    plain_copy: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*arguments: object, **options: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(cube, "reread", full)
    with pytest.raises(OutputError, match="No space left"):
        run(plain_copy.config, workers=1)
    assert visible(plain_copy.folder / "results") == []


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="sha256sum is not installed")
def test_a_cube_with_a_line_break_in_its_name(plain_copy: Any) -> None:
    raw = plain_copy.folder / "raw"
    for path in raw.glob("strip-01.*"):
        path.rename(raw / path.name.replace("-01", "-two\nlines"))
    (raw / "manifest.sha256").unlink()
    result = run(plain_copy.config)
    assert (result.folder / "strip-two\nlines.nc").is_file()
    checked = ["sha256sum", "-c", "--strict", "--quiet", "checksums.sha256"]
    assert subprocess.run(checked, cwd=result.folder, check=False).returncode == 0
    assert all(finding.ok for finding in verify(result.folder))
    assert run(plain_copy.config).reused
