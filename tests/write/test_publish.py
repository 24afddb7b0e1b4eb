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
from pipeline.write.checksums import CHECKSUMS, parse_line, read_lines, sha256_of
from pipeline.write.provenance import Output
from pipeline.write.run_record import RunRecord
from pipeline.write.small_file import write_text

#: File names that a line of checksums cannot hold as they are, and some that it can.
ODD_NAMES = (
    "two\nlines",
    "back\\slash",
    "\\n",
    "re\rturn",
    " blank ",
    "\x85",
    "*",
    os.fsdecode(b"\xff"),
)


def finished(folder: Path, text: str = "new") -> Path:
    """A folder with what every run has, as `fault_of` asks for it; one cube of that text."""
    folder.mkdir(parents=True)
    (folder / "strip-00.nc").write_text(text)
    (folder / "report.html").write_text("page")
    cube = folder / "strip-00.nc"
    record = RunRecord(
        run_id="abc",
        flight="june",
        software="reflectory 0.1.0",
        started="2026-06-18T11:20:04Z",
        ended="2026-06-18T11:20:05Z",
        outcome="whole",
        verdict="good",
        says="The flight is good.",
        cubes=(),
        panels=(),
        checks=(),
        timings={},
        config={},
        config_sha256="0" * 64,
        outputs=(Output(cube.name, len(text), sha256_of(cube)),),
    )
    (folder / "run.json").write_text(record.to_text())
    publish.write_checksums(folder, {p: sha256_of(p) for p in publish.files_below(folder)})
    return folder


def staged(folder: Path, text: str = "new") -> Path:
    """A finished staging folder, as `publish.publish` takes it."""
    return finished(folder / ".writing-test", text)


def test_staging_leaves_nothing_when_the_work_fails(tmp_path: Path) -> None:
    def work() -> None:
        with publish.staging(tmp_path / "flight") as place:
            (place / "half.nc").write_text("half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        work()
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == []


def test_folders_made_for_a_run_that_fails_go_with_it(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt), publish.staging(tmp_path / "results" / "june"):
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


def test_published_is_under_its_name(tmp_path: Path) -> None:
    with publish.staging(tmp_path) as place:
        (place / "run.json").write_text("{}")
        assert publish.publish(place, tmp_path / "abc").fresh
    assert sorted(p.name for p in tmp_path.iterdir()) == ["abc"]
    assert sorted(p.name for p in (tmp_path / "abc").iterdir()) == ["run.json"]


def cube_of(run: Path) -> str:
    return (run / "strip-00.nc").read_text()


def test_a_finished_run_of_that_name_stands(tmp_path: Path) -> None:
    target = finished(tmp_path / "abc", "old")
    assert publish.publish(staged(tmp_path), target) == publish.Published(fresh=False)
    assert cube_of(target) == "old"


def test_replace_puts_the_new_one_in_its_place(tmp_path: Path) -> None:
    target = finished(tmp_path / "abc", "old")
    (target / "gone.nc").write_text("old")
    assert publish.publish(staged(tmp_path), target, replace=True).fresh
    assert not (target / "gone.nc").exists()
    assert cube_of(target) == "new"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["abc"]


@pytest.mark.parametrize("name", ["run.json", "strip-00.nc", "report.html", "checksums.sha256"])
def test_a_run_that_is_not_whole_is_replaced(tmp_path: Path, name: str) -> None:
    target = finished(tmp_path / "abc", "old")
    (target / name).unlink()
    published = publish.publish(staged(tmp_path), target)
    assert published.fresh
    assert name in published.fault
    assert cube_of(target) == "new"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["abc"]


def test_what_is_in_the_way_and_no_run_is_set_aside(tmp_path: Path) -> None:
    for number in ("", "-2"):
        target = tmp_path / "abc"
        if not number:
            target.mkdir()
        (target / "run.json").unlink(missing_ok=True)
        (target / "notes.txt").write_text("mine" + number)
        published = publish.publish(staged(tmp_path), target)
        aside = tmp_path / f"abc-set-aside{number}"
        assert published.set_aside == aside
        assert (aside / "notes.txt").read_text() == "mine" + number
        assert cube_of(target) == "new"


def test_a_link_in_the_way_is_set_aside_and_not_followed(tmp_path: Path) -> None:
    foreign = finished(tmp_path / "elsewhere" / "abc", "foreign")
    (tmp_path / "june").mkdir()
    target = tmp_path / "june" / "abc"
    target.symlink_to(foreign)
    assert publish.publish(staged(tmp_path / "june"), target).set_aside is not None
    assert cube_of(foreign) == "foreign"
    assert cube_of(target) == "new"


def test_a_folder_that_cannot_be_made_is_an_output_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot write here"), publish.staging(tmp_path / "file"):
        pass


def test_a_folder_removed_meanwhile_is_told_as_that(tmp_path: Path) -> None:
    """HDF5 calls it "Permission denied", and space would not help."""
    error = PermissionError(13, "Permission denied")
    there = publish.not_written(error, tmp_path, where="a.nc")
    assert "Permission denied. Free space" in str(there)
    gone = publish.not_written(error, tmp_path / "gone", where="a.nc")
    assert "has been removed. Run it again" in str(gone)


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


def killed_at(folder: Path, call: str, count: int) -> int:
    """Replace the run in a folder, killed before the count-th of a call; the exit code."""
    code = (
        "import os, pathlib, shutil, signal, sys\n"
        "from pipeline.write import publish\n"
        "folder, count = pathlib.Path(sys.argv[1]), int(sys.argv[2])\n"
        f"original = {call}\n"
        "def killed(*arguments, **options):\n"
        "    global count\n"
        "    count -= 1\n"
        "    if not count: os.kill(os.getpid(), signal.SIGKILL)\n"
        "    return original(*arguments, **options)\n"
        "with publish.staging(folder) as place:\n"
        "    shutil.copytree(folder / 'abc', place, dirs_exist_ok=True)\n"
        "    (place / 'strip-00.nc').write_text('new')\n"
        f"    {call} = killed\n"
        "    publish.publish(place, folder / 'abc', replace=True)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, folder, str(count)], check=False)
    return done.returncode


@pytest.mark.parametrize("call", ["os.rename", "os.unlink", "os.rmdir"])
def test_a_replacement_killed_anywhere_leaves_one_run_and_nothing_else(
    tmp_path: Path, call: str
) -> None:
    """The old run or the new one, whole; and all else is cleared away by the next."""
    killed = 0
    for count in range(1, 20):
        folder = tmp_path / str(count)
        finished(folder / "abc", "old")
        (folder / "abc" / "deep").mkdir()
        (folder / "abc" / "deep" / "part").write_text("old")
        code = killed_at(folder, call, count)
        publish.clear_leftovers(folder)
        assert [p.name for p in folder.iterdir()] == ["abc"], f"killed before {call} {count}"
        names = {p.name for p in (folder / "abc").iterdir()} - {".lock"}
        assert names == {"strip-00.nc", "report.html", "run.json", "checksums.sha256", "deep"}
        if code == 0:
            break
        assert code == -signal.SIGKILL
        killed += 1
    assert killed > 1


def test_no_link_among_the_leftovers_is_followed(tmp_path: Path) -> None:
    """A link `.writing-x`, and one within a real staging folder, must bring nothing in."""
    foreign = tmp_path / "elsewhere"
    finished(foreign / "abc", "foreign")
    (foreign / ".lock").write_text("")
    folder = tmp_path / "june"
    folder.mkdir()
    (folder / ".writing-x").symlink_to(foreign)
    (folder / ".removing-x").symlink_to(foreign)
    (folder / ".writing-y").mkdir()
    (folder / ".writing-y" / ".lock").write_text("")
    (folder / ".writing-y" / "abc").symlink_to(foreign / "abc")
    (folder / ".writing-z").mkdir()
    (folder / ".writing-z" / ".lock").symlink_to(tmp_path / "made through a link")
    publish.clear_leftovers(folder)
    assert cube_of(foreign / "abc") == "foreign"
    assert not (folder / "abc").is_symlink()
    assert not (folder / "abc").exists()
    assert not (tmp_path / "made through a link").exists()


def test_text_is_whole_or_not_there(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    write_text(path, "one")
    with pytest.raises(UnicodeEncodeError):
        write_text(path, "two \ud800")
    assert path.read_text() == "one"
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]
    assert path.stat().st_mode & 0o777 == 0o644


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="sha256sum is not installed")
def test_checksums_are_what_sha256sum_checks(tmp_path: Path) -> None:
    (tmp_path / "cube.zarr").mkdir()
    for name in ("run.json", "cube.zarr/zarr.json", "with space.txt", *ODD_NAMES):
        (tmp_path / name).write_bytes(os.fsencode(name))
    publish.write_checksums(tmp_path, {p: sha256_of(p) for p in publish.files_below(tmp_path)})
    command = ["sha256sum", "-c", "--strict", "--quiet", CHECKSUMS]
    assert subprocess.run(command, cwd=tmp_path, check=False).returncode == 0
    (tmp_path / "run.json").write_text("changed")
    done = subprocess.run(command, cwd=tmp_path, check=False, capture_output=True)
    assert done.returncode == 1


def test_checksums_are_read_back_as_they_were_written(tmp_path: Path) -> None:
    for name in ODD_NAMES:
        (tmp_path / name).write_bytes(os.fsencode(name))
    written = {p: sha256_of(p) for p in publish.files_below(tmp_path)}
    publish.write_checksums(tmp_path, written)
    read = dict(filter(None, map(parse_line, read_lines(tmp_path / CHECKSUMS))))
    assert read == {p.name: sha256 for p, sha256 in written.items()}


@pytest.mark.parametrize(
    "line", ["", "0" * 64, "0" * 63 + "  a", "0" * 64 + " a", "\\" + "0" * 64 + "  \\x"]
)
def test_what_is_no_line_of_checksums_is_none(line: str) -> None:
    assert parse_line(line) is None
