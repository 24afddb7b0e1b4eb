"""Whole runs through the command line and the library: identity, reuse, output, exit codes."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest

import pipeline
from pipeline.cli.commands import main
from pipeline.flight.run import RunResult, run


def runs_of(flight: Any, folder: str = "results") -> list[str]:
    """Finished runs of a flight."""
    place = flight.folder / folder / flight.plan.name
    return sorted(p.parent.name for p in place.glob("[!.]*/run.json"))


def assert_same_data(one: Path, other: Path) -> None:
    """All data variables of two runs' cubes are equal bit for bit."""
    names = sorted(p.name for p in one.glob("*.nc"))
    assert names
    assert names == sorted(p.name for p in other.glob("*.nc"))
    for name in names:
        with netCDF4.Dataset(one / name) as a, netCDF4.Dataset(other / name) as b:
            assert set(a.variables) == set(b.variables)
            for variable in a.variables:
                for nc in (a, b):
                    nc.set_auto_maskandscale(False)
                x, y = a[variable][...], b[variable][...]
                assert x.dtype == y.dtype
                assert np.asarray(x).tobytes() == np.asarray(y).tobytes(), f"{name} {variable}"


def test_a_run_folder_holds_what_is_promised(rich_run: Any, rich_flight: Any) -> None:
    there = {p.name for p in rich_run.folder.iterdir()}
    assert there >= {"strip-00.nc", "strip-01.nc", "report.html", "run.json", "config.toml",
                     "checksums.sha256"}  # fmt: skip
    assert not [name for name in there if name.startswith(".")]
    assert (rich_run.folder / "config.toml").read_text() == rich_flight.config.read_text()
    done = subprocess.run(
        ["sha256sum", "-c", "--quiet", "checksums.sha256"], cwd=rich_run.folder, check=False
    )
    assert done.returncode == 0
    listed = (rich_run.folder / "checksums.sha256").read_text()
    assert all(name in listed for name in there - {"checksums.sha256"})


def test_run_json_is_the_document_and_names_every_input(rich_run: Any, rich_flight: Any) -> None:
    told = json.loads((rich_run.folder / "run.json").read_text())
    assert told == rich_run.document
    assert told["run_id"] == rich_run.folder.name
    inputs = {v["prov:label"]: v for k, v in told["entity"].items() if ":input/" in k}
    on_disk = {
        p.relative_to(rich_flight.folder).as_posix(): p
        for p in rich_flight.folder.rglob("*")
        if p.is_file() and "results" not in p.parts and p.name not in ("flight.toml",)
    }
    assert set(on_disk) - set(inputs) <= {"raw/manifest.sha256"}
    for name, row in inputs.items():
        assert row["reflectory:bytes"] == on_disk[name].stat().st_size
        done = subprocess.run(["sha256sum", on_disk[name]], capture_output=True, text=True,
                              check=True)  # fmt: skip
        assert row["reflectory:sha256"] == done.stdout.split()[0]


def test_json_prints_one_object_equal_to_run_json_and_nothing_else(plain_copy: Any) -> None:
    command = [sys.executable, "-m", "pipeline", "run", str(plain_copy.config), "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    place = plain_copy.folder / "results" / plain_copy.plan.name / told["run_id"]
    assert told == json.loads((place / "run.json").read_text())
    again = subprocess.run(command, capture_output=True, text=True, check=False)
    assert json.loads(again.stdout) == told
    assert "already done" in again.stderr


def test_the_same_work_is_not_done_twice(plain_copy: Any, capsys: Any) -> None:
    first = run(plain_copy.config)
    stamps = {p: p.stat().st_mtime_ns for p in first.folder.rglob("*")}
    second = run(plain_copy.config)
    assert not first.reused
    assert second.reused
    assert second.folder == first.folder
    assert second.document == first.document
    assert {p: p.stat().st_mtime_ns for p in first.folder.rglob("*")} == stamps
    assert main(["run", str(plain_copy.config)]) == 0
    assert "already done" in capsys.readouterr().out


def test_without_the_remembered_digests_the_finished_run_stands(plain_copy: Any) -> None:
    import shutil

    first = run(plain_copy.config)
    shutil.rmtree(first.folder.parent / ".kept")
    second = run(plain_copy.config)
    assert second.folder == first.folder
    assert second.reused
    assert second.document == first.document


def test_a_moved_flight_has_the_same_id(plain_copy: Any, plain_run: Any) -> None:
    result = run(plain_copy.config)
    assert result.folder.name == plain_run.folder.name
    assert_same_data(result.folder, plain_run.folder)


def test_neither_output_folder_nor_workers_change_the_id_or_the_data(
    plain_copy: Any, plain_run: Any, tmp_path: Path
) -> None:
    result = run(plain_copy.config, output=tmp_path / "elsewhere", workers=1)
    assert result.folder == tmp_path / "elsewhere" / plain_copy.plan.name / plain_run.folder.name
    assert_same_data(result.folder, plain_run.folder)
    assert not (plain_copy.folder / "results").exists()


def test_again_replaces_with_bit_identical_data(plain_copy: Any, plain_run: Any) -> None:
    first = run(plain_copy.config)
    (first.folder / "stray.txt").write_text("of the first run")
    second = run(plain_copy.config, again=True)
    assert not second.reused
    assert second.folder == first.folder
    assert not (second.folder / "stray.txt").exists()
    assert_same_data(second.folder, plain_run.folder)
    assert runs_of(plain_copy) == [first.folder.name]


def test_a_changed_certificate_makes_a_run_that_follows_the_first(plain_copy: Any) -> None:
    first = run(plain_copy.config)
    path = plain_copy.folder / "certificates" / "grey-50.csv"
    path.write_text(path.read_text().replace(",0.01", ",0.02"))
    second = run(plain_copy.config)
    assert second.folder.name != first.folder.name
    assert first.document["follows"] is None
    assert second.document["follows"] == first.folder.name
    with netCDF4.Dataset(second.folder / "strip-00.nc") as nc:
        assert nc.follows == first.folder.name
    assert len(runs_of(plain_copy)) == 2


@pytest.mark.parametrize(
    "change",
    ["config", "raw", "dark", "line times", "track", "header"],
)
def test_every_input_counts_for_the_id(change: str, plain_copy: Any, plain_run: Any) -> None:
    raw = plain_copy.folder / "raw"
    match change:
        case "config":
            plain_copy.edit("[output]", "[quality]\nlow_signal_snr = 4.0\n\n[output]")
        case "raw" | "dark":
            path = raw / ("strip-01.raw" if change == "raw" else "cap-after.raw")
            data = bytearray(path.read_bytes())
            data[5000] ^= 1
            path.write_bytes(data)
        case "line times":
            path = raw / "strip-01.times.csv"
            path.write_text(path.read_text() + "\n")
        case "track":
            path = plain_copy.folder / "track.csv"
            path.write_text(path.read_text().replace(",30.0", ",30.1", 1))
        case _:
            path = raw / "strip-01.hdr"
            path.write_text(path.read_text().replace("simulated strip", "another strip"))
    result = run(plain_copy.config)
    assert result.folder.name != plain_run.folder.name


def test_a_darks_own_line_times_count_for_the_id(plain_copy: Any) -> None:
    """Ten minutes later by its own table the dark lies elsewhere between the captures."""
    table = plain_copy.folder / "raw" / "cap-before.times.csv"
    rows = [f"{i},2026-06-18T11:19:{10 + i / 1000:06.3f}Z" for i in range(100)]
    table.write_text("\n".join(["line,time_utc", *rows]) + "\n")
    first = run(plain_copy.config)
    table.write_text(table.read_text().replace("T11:19:", "T11:09:"))
    second = run(plain_copy.config)
    assert not second.reused
    assert second.folder.name != first.folder.name


def test_a_comment_in_the_config_is_not_other_work(plain_copy: Any, plain_run: Any) -> None:
    plain_copy.config.write_text("# flown on a fine day\n" + plain_copy.config.read_text())
    assert run(plain_copy.config).folder.name == plain_run.folder.name


def test_raw_data_changed_in_place_is_seen_in_spite_of_the_memory(plain_copy: Any) -> None:
    first = run(plain_copy.config)
    path = plain_copy.folder / "raw" / "strip-01.raw"
    data = bytearray(path.read_bytes())
    data[5000] ^= 1
    path.write_bytes(data)
    assert run(plain_copy.config).folder != first.folder


@pytest.mark.parametrize(
    "knobs",
    [
        {"interleave": "bip"},
        {"interleave": "bsq"},
        {"big_endian": True},
        {"interleave": "bip", "big_endian": True},
        {"interleave": "bsq", "big_endian": True},
    ],
    ids=lambda k: " ".join(map(str, k.values())),
)
def test_the_files_layout_does_not_change_the_result(
    knobs: dict[str, Any], plain_run: Any, tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, **knobs)
    assert_same_data(run(flight.config).folder, plain_run.folder)


@pytest.mark.parametrize("how", ["one table", "equal tables"])
def test_equal_windows_are_one_reading(plain_copy: Any, plain_run: Any, how: str) -> None:
    """Nine times the same pixels know no more than once."""
    text = plain_copy.config.read_text()
    panel = text[text.rindex("[[panel]]") : text.index("[calibration]")]
    where = next(line for line in panel.splitlines() if line.startswith("where = "))
    place = where.removeprefix("where = ")
    if how == "one table":
        plain_copy.edit(where, f"where = [{', '.join([place] * 9)}]")
    else:
        plain_copy.edit(panel, panel * 9)
    result = run(plain_copy.config)
    assert_same_data(result.folder, plain_run.folder)
    assert [len(row["passes"]) for row in result.document["panels"]] == [1, 1, 1, 1]  # type: ignore[attr-defined]


def test_an_unusable_flight_is_written_and_exits_1(
    tmp_path: Path, make_flight_in: Callable[..., Any], capsys: pytest.CaptureFixture[str]
) -> None:
    flight = make_flight_in(tmp_path, exposure_factor=0.02)
    code = main(["run", str(flight.config), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert told["verdict"] == "unusable"
    assert told["outcome"] == "whole"
    assert code == 1
    assert runs_of(flight) == [told["run_id"]]


def test_a_good_flight_says_so(plain_run: Any) -> None:
    assert plain_run.document["verdict"] == "good", [
        c for c in plain_run.document["checks"] if c["verdict"] in ("caution", "fail")
    ]
    assert plain_run.exit_code == 0


def test_every_check_is_listed(plain_run: Any) -> None:
    from pipeline.radiometry.limits import LIMITS

    rows = plain_run.document["checks"]
    listed = {row["check"] for row in rows}
    assert set(LIMITS) - listed == {"camera-record", "panel-record"}  # a sweep's alone
    keys = {"check", "subject", "value", "unit", "caution", "fail", "verdict", "says", "do"}
    assert all(set(row) == keys for row in rows)
    json.dumps(plain_run.document, allow_nan=False)


def test_the_library_takes_a_loaded_config_and_an_output(plain_copy: Any, tmp_path: Path) -> None:
    config = pipeline.load_config(plain_copy.config)
    result = pipeline.run(config, output=tmp_path / "there")
    assert result.folder.is_relative_to(tmp_path / "there")
    # The package of the same name is bound by now; the name still answers as the function.
    assert pipeline.run(config, output=tmp_path / "there").reused


def test_failing_midway_leaves_nothing(
    plain_copy: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from pipeline.write import netcdf

    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(netcdf.NetcdfWriter, "write", full)
    before = {thread.name for thread in threading.enumerate()}
    assert main(["run", str(plain_copy.config)]) == 1
    # No cube is at work any more, which would write into what is being taken away.
    left = {thread.name for thread in threading.enumerate()} - before
    assert not [name for name in left if name.startswith(("block", "cube"))]
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    assert "No space left on device" in err
    assert [p for p in (plain_copy.folder / "results").rglob("*") if p.is_file()] == []


def test_a_cube_that_shrinks_while_it_is_read_is_refused(
    plain_copy: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.flight import all_cubes

    calibrate = all_cubes.calibrate_cube

    def shrink(task: Any, **options: Any) -> Any:
        if task.capture.name == "strip-01":
            task.capture.data.write_bytes(task.capture.data.read_bytes()[:-2])
        return calibrate(task, **options)

    monkeypatch.setattr(all_cubes, "calibrate_cube", shrink)
    result = run(plain_copy.config)
    assert result.document["outcome"] == "partial"
    assert sorted(p.name for p in result.folder.glob("*.nc")) == ["strip-00.nc"]


def test_a_result_is_one_short_line_in_a_notebook(plain_run: RunResult) -> None:
    assert repr(plain_run) == (
        f"RunResult(folder='{plain_run.folder}', outcome='whole', verdict='good', reused=False)"
    )
