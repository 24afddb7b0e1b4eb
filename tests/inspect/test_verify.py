"""`verify` names exactly the file that differs."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import netCDF4
import numpy as np
import pytest

from pipeline.cli.commands import main
from pipeline.errors import InputError
from pipeline.flight.run import run
from pipeline.inspect.finding import Finding
from pipeline.inspect.verify import exit_code, verify


@pytest.fixture(scope="module")
def runs(
    tmp_path_factory: pytest.TempPathFactory, make_flight_in: Callable[..., Any]
) -> dict[str, Path]:
    """A finished run in each format: (flight's folder, run's folder)."""
    flight = make_flight_in(tmp_path_factory.mktemp("verified"), lines=80, bands=20)
    found = {"netcdf": run(flight.config, workers=2).folder}
    flight.edit('format = "netcdf"', 'format = "zarr"')
    found["zarr"] = run(flight.config, workers=2).folder
    return found


@pytest.fixture(params=["netcdf", "zarr"])
def fresh(request: pytest.FixtureRequest, runs: dict[str, Path], tmp_path: Path) -> Path:
    """A copy of flight and run; the run's folder."""
    run_folder = runs[request.param]
    flight = run_folder.parents[2]
    shutil.copytree(flight, tmp_path / "flight")
    return tmp_path / "flight" / run_folder.relative_to(flight)


def wrong(findings: list[Finding]) -> dict[str, str]:
    return {f.file: f.what for f in findings if not f.ok}


def flip(path: Path, place: int | None = None) -> None:
    content = bytearray(path.read_bytes())
    place = len(content) // 2 if place is None else place
    content[place] ^= 0x10
    path.write_bytes(content)


def test_a_fresh_run_is_as_it_was(fresh: Path) -> None:
    findings = verify(fresh)
    assert wrong(findings) == {}
    assert exit_code(findings) == 0
    seen = {f.file for f in findings}
    assert {"config.toml", "run.json", "report.html", "raw/strip-00.raw", "track.csv"} <= seen
    done = subprocess.run(
        ["sha256sum", "-c", "--quiet", "checksums.sha256"], cwd=fresh, check=False
    )
    assert done.returncode == 0


@pytest.mark.parametrize("name", ["report.html", "config.toml", "run.json"])
def test_a_byte_changed_in_a_small_file_is_named(fresh: Path, name: str) -> None:
    flip(fresh / name)
    findings = verify(fresh)
    assert name in wrong(findings)
    assert exit_code(findings) == 1


def test_a_byte_changed_in_a_cube_is_named(fresh: Path) -> None:
    for path in sorted(fresh.glob("strip-00*")):
        victim = path if path.is_file() else path / "reflectance" / "c" / "0" / "0" / "0"
        flip(victim)
        found = wrong(verify(fresh))
        assert victim.relative_to(fresh).as_posix() in found
        assert not any(name.startswith("strip-01") for name in found)


def test_a_chunk_that_does_not_decode_is_named_with_its_place(
    runs: dict[str, Path], tmp_path: Path
) -> None:
    shutil.copytree(runs["netcdf"], tmp_path / "run")
    path = tmp_path / "run" / "strip-00.nc"
    with h5py.File(path) as file:
        chunk = file["reflectance"].id.get_chunk_info_by_coord((2, 64, 0))
    flip(path, chunk.byte_offset + chunk.size // 2)
    whats = [f.what for f in verify(tmp_path / "run", inputs=False) if not f.ok]
    assert any(
        "reflectance cannot be decoded at wavelength 2 to 4, line 64 to 80" in what
        for what in whats
    ), whats


def test_a_changed_line_of_the_checksums_is_told_from_a_changed_file(fresh: Path) -> None:
    path = fresh / "checksums.sha256"
    lines = path.read_text().splitlines()
    at = next(i for i, line in enumerate(lines) if line.endswith("config.toml"))
    lines[at] = ("0" if lines[at][0] != "0" else "1") + lines[at][1:]
    path.write_text("\n".join(lines) + "\n")
    found = wrong(verify(fresh))
    assert list(found) == ["checksums.sha256"]
    assert "config.toml" in found["checksums.sha256"]


def test_missing_and_extra_files_are_named(fresh: Path) -> None:
    (fresh / "report.html").unlink()
    (fresh / "notes\n.txt").write_text("mine")
    found = wrong(verify(fresh))
    assert set(found) == {"report.html", "notes\\n.txt"}
    assert "missing" in found["report.html"]
    assert "extra" in found["notes\\n.txt"]


def test_a_missing_cube_is_named(fresh: Path) -> None:
    (cube,) = fresh.glob("strip-01*")
    shutil.rmtree(cube) if cube.is_dir() else cube.unlink()
    assert cube.name in wrong(verify(fresh))


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("raw/strip-01.raw", "another SHA-256"),
        ("raw/cap-before.raw", "another SHA-256"),
        ("certificates/grey-24.csv", "another SHA-256"),
        ("raw/strip-00.hdr", "another SHA-256"),
    ],
)
def test_a_changed_input_is_named(fresh: Path, name: str, what: str) -> None:
    flip(fresh.parents[2] / name)
    found = wrong(verify(fresh))
    assert set(found) == {name}
    assert what in found[name]
    assert wrong(verify(fresh, inputs=False)) == {}


def test_an_input_that_is_gone_or_grown_is_named(fresh: Path) -> None:
    flight = fresh.parents[2]
    (flight / "track.csv").unlink()
    with (flight / "areas.kml").open("a") as file:
        file.write(" ")
    found = wrong(verify(fresh, inputs=False))
    assert set(found) == {"track.csv", "areas.kml"}
    assert "gone" in found["track.csv"]
    assert "bytes" in found["areas.kml"]


def test_a_run_that_moved_away_finds_its_inputs_where_it_is_told(
    fresh: Path, tmp_path: Path
) -> None:
    away = tmp_path / "away" / "a" / fresh.name
    shutil.copytree(fresh, away)
    assert wrong(verify(away, folders=[fresh.parents[2]])) == {}
    assert "gone" in wrong(verify(away))["raw/strip-00.raw"]


def test_a_renamed_folder_is_seen(fresh: Path) -> None:
    other = fresh.rename(fresh.with_name("0123456789ab"))
    assert "0123456789ab" in wrong(verify(other))["run.json"]


def test_attributes_that_change_what_numbers_mean_are_seen(
    runs: dict[str, Path], tmp_path: Path
) -> None:
    shutil.copytree(runs["netcdf"], tmp_path / "run")
    with netCDF4.Dataset(tmp_path / "run" / "strip-00.nc", "a") as nc:
        nc["reflectance"].units = "percent"
        nc["wavelength"].units = "um"
        nc.run_id = "another"
    whats = " ".join(f.what for f in verify(tmp_path / "run", inputs=False) if not f.ok)
    for part in (
        "reflectance:units is 'percent'",
        "wavelength:units is 'um'",
        "run_id is 'another'",
    ):
        assert part in whats


def test_a_mask_of_an_earlier_version_has_fewer_bits_and_never_others(
    runs: dict[str, Path], tmp_path: Path
) -> None:
    shutil.copytree(runs["netcdf"], tmp_path / "run")

    def said(bits: list[int], meanings: str) -> str:
        with netCDF4.Dataset(tmp_path / "run" / "strip-00.nc", "a") as nc:
            nc["quality_flag"].flag_masks = np.array(bits, np.uint8)
            nc["quality_flag"].flag_meanings = meanings
        found = verify(tmp_path / "run", inputs=False)
        return " ".join(f.what for f in found if not f.ok and "quality_flag" in f.what)

    assert not said([1, 2, 4], "saturated low_signal bad_element")
    assert "has the flags" in said([1, 2, 8], "saturated low_signal bad_element")
    assert "has the flags" in said([1, 2, 4], "saturated bad_element low_signal")
    assert "has the flags" in said([1], "")


def test_run_json_of_another_run_is_seen(fresh: Path) -> None:
    path = fresh / "run.json"
    path.write_text(path.read_text().replace(fresh.name, "aaaaaaaaaaaa"))
    files = {f.file for f in verify(fresh) if not f.ok}
    assert "run.json" in files
    assert any(name.startswith("strip-00") for name in files)


def test_the_command_shows_what_differs_and_closes_with_the_count(
    fresh: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["verify", str(fresh)]) == 0
    (summary,) = capsys.readouterr().out.splitlines()
    number = len(verify(fresh))
    assert summary == f"{number} checked: {number} as they were, 0 differ"
    assert main(["verify", str(fresh), "--all", "--quick"]) == 0
    *rows, summary = capsys.readouterr().out.splitlines()
    assert len(rows) == number
    assert all(row.startswith("ok  ") for row in rows)
    assert summary.endswith("0 differ (inputs by presence and size alone)")
    flip(fresh / "report.html")
    assert main(["verify", str(fresh)]) == 1
    row, summary = capsys.readouterr().out.splitlines()
    assert row.startswith("DIFFERS  report.html: changed")
    assert summary == f"{number} checked: {number - 1} as they were, 1 differ"


def test_no_run_is_an_error_of_ours(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="not a finished run"):
        verify(tmp_path)
