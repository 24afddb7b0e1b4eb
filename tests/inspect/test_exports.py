"""Where `export` writes, and that what cannot be written is one line of ours."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipeline.cli.commands import main
from pipeline.flight.run import RunResult
from pipeline.inspect.verify import verify


@pytest.fixture
def run_folder(plain_run: RunResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of a run, seen from an empty working directory."""
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    return Path(shutil.copytree(plain_run.folder, tmp_path / "june" / plain_run.folder.name))


def written(capsys: pytest.CaptureFixture[str]) -> list[Path]:
    told = capsys.readouterr().out.splitlines()
    assert all(line.startswith("written: ") for line in told)
    return [Path(line.removeprefix("written: ")) for line in told]


def test_by_default_files_go_beside_the_run_and_are_named(
    run_folder: Path, plain_run: RunResult, capsys: pytest.CaptureFixture[str]
) -> None:
    flight = plain_run.folder.parents[2]
    regions = flight / "areas.kml"
    assert main(["export", str(run_folder), "quicklook"]) == 0
    assert main(["export", str(run_folder), "spectra", "--regions", str(regions)]) == 0
    files = written(capsys)
    beside = run_folder.with_name(f"{run_folder.name}-export")
    assert files == [beside / n for n in ("strip-00.tif", "strip-01.tif", "areas-spectra.csv")]
    assert sorted(beside.iterdir()) == sorted(files)
    assert list(Path().iterdir()) == []
    assert all(f.ok for f in verify(run_folder, inputs=False, folders=[flight]))


def test_a_missing_target_folder_is_made(
    run_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    quicklook = ["export", str(run_folder), "quicklook", "--cube", "strip-01", "--target"]
    assert main([*quicklook, "a/b"]) == main([*quicklook, "c/one.tif"]) == 0
    assert written(capsys) == [Path("a/b/strip-01.tif"), Path("c/one.tif")]
    assert Path("a/b/strip-01.tif").is_file()
    assert Path("c/one.tif").is_file()


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (["--target", "file"], 1, "strip-00.tif: cannot be written: file is no folder. Name"),
        (["--target", "all.tif"], 2, "all.tif: is one file, and the run has 2 cubes. Name"),
        (["--cube", "strip-07"], 2, "no cube 'strip-07'; this run has strip-00, strip-01"),
    ],
)
def test_what_cannot_be_written_is_one_line(
    run_folder: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    code: int,
    says: str,
) -> None:
    Path("file").touch()
    assert main(["export", str(run_folder), "quicklook", *arguments]) == code
    (line,) = capsys.readouterr().err.splitlines()
    assert says in line
    assert [p.name for p in Path().iterdir()] == ["file"]


@pytest.mark.parametrize("name", ["nowhere", "."])
def test_no_run_is_one_line(
    run_folder: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    assert main(["export", name, "quicklook"]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(f"reflectory: {name}: ")


@pytest.mark.parametrize(
    "target",
    ["{run}/strip-00.nc", "{run}/run.json", "{run}", "{run}/new/x.tif", "link/strip-00.nc",
     "/dev/null"],
)  # fmt: skip
@pytest.mark.parametrize("what", [["quicklook", "--cube", "strip-00"], ["spectra"], ["map"]])
def test_a_finished_run_and_a_device_are_no_target(
    run_folder: Path,
    plain_run: RunResult,
    what: list[str],
    target: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    flight = plain_run.folder.parents[2]
    Path("link").symlink_to(run_folder)
    regions = ["--regions", str(flight / "areas.kml")] if what == ["spectra"] else []
    place = target.format(run=run_folder)
    assert main(["export", str(run_folder), *what, *regions, "--target", place]) == 2
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1
    assert "--target" in said
    assert Path("/dev/null").is_char_device()
    assert all(f.ok for f in verify(run_folder, inputs=False, folders=[flight]))
