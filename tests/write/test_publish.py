"""A run appears under its name whole, or not at all."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.errors import OutputError
from pipeline.write import publish


def staged(folder: Path, text: str = "new") -> Path:
    """A finished staging folder, as `publish.publish` takes it."""
    place = folder / ".writing-test"
    place.mkdir(parents=True)
    (place / "run.json").write_text(text)
    return place


def test_staging_leaves_nothing_when_the_work_fails(tmp_path: Path) -> None:
    def work() -> None:
        with publish.staging(tmp_path / "flight") as place:
            (place / "half.nc").write_text("half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        work()
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == []


def test_published_is_under_its_name(tmp_path: Path) -> None:
    with publish.staging(tmp_path) as place:
        (place / "run.json").write_text("{}")
        assert publish.publish(place, tmp_path / "abc")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["abc"]
    assert sorted(p.name for p in (tmp_path / "abc").iterdir()) == ["run.json"]


def test_a_finished_run_of_that_name_stands(tmp_path: Path) -> None:
    target = tmp_path / "abc"
    target.mkdir()
    (target / "run.json").write_text("old")
    assert not publish.publish(staged(tmp_path), target)
    assert (target / "run.json").read_text() == "old"


def test_replace_puts_the_new_one_in_its_place(tmp_path: Path) -> None:
    target = tmp_path / "abc"
    target.mkdir()
    (target / "run.json").write_text("old")
    (target / "gone.nc").write_text("old")
    assert publish.publish(staged(tmp_path), target, replace=True)
    assert sorted(p.name for p in target.iterdir()) == ["run.json"]
    assert (target / "run.json").read_text() == "new"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["abc"]


def test_what_is_in_the_way_and_no_run_is_an_error(tmp_path: Path) -> None:
    target = tmp_path / "abc"
    target.mkdir()
    (target / "notes.txt").write_text("mine")
    with pytest.raises(OSError, match="not empty"):
        publish.publish(staged(tmp_path), target)
    assert (target / "notes.txt").read_text() == "mine"


def test_a_folder_that_cannot_be_made_is_an_output_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot write here"), publish.staging(tmp_path / "file"):
        pass


def test_leftovers_of_a_killed_run_are_cleared_and_a_live_one_is_left(tmp_path: Path) -> None:
    code = (
        "import sys, time, pathlib\n"
        "from pipeline.write import publish\n"
        f"with publish.staging(pathlib.Path({str(tmp_path)!r})) as place:\n"
        "    (place / 'half.nc').write_text('half')\n"
        "    print(place, flush=True)\n"
        "    time.sleep(60)\n"
    )
    other = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    try:
        assert other.stdout is not None
        place = Path(other.stdout.readline().strip())
        publish.clear_leftovers(tmp_path)
        assert (place / "half.nc").is_file(), "a live run's folder was taken away"
    finally:
        os.kill(other.pid, signal.SIGKILL)
        other.wait()
        assert other.stdout is not None
        other.stdout.close()
    publish.clear_leftovers(tmp_path)
    assert not place.exists()


def test_text_is_whole_or_not_there(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    publish.write_text(path, "one")
    with pytest.raises(UnicodeEncodeError):
        publish.write_text(path, "two \ud800")
    assert path.read_text() == "one"
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]
    assert path.stat().st_mode & 0o777 == 0o644


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="sha256sum is not installed")
def test_checksums_are_what_sha256sum_checks(tmp_path: Path) -> None:
    (tmp_path / "cube.zarr").mkdir()
    for name in ("run.json", "cube.zarr/zarr.json", "with space.txt"):
        (tmp_path / name).write_text(name)
    files = publish.files_below(tmp_path)
    publish.write_checksums(tmp_path, {p: publish.sha256_of(p) for p in files})
    command = ["sha256sum", "-c", "--strict", "--quiet", publish.CHECKSUMS]
    assert subprocess.run(command, cwd=tmp_path, check=False).returncode == 0
    (tmp_path / "run.json").write_text("changed")
    done = subprocess.run(command, cwd=tmp_path, check=False, capture_output=True)
    assert done.returncode == 1
