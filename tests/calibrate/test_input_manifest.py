"""What a run reads, found once: names, roles, digests, and the second look."""

from __future__ import annotations

import dataclasses
import hashlib
import os
import time
from pathlib import Path
from typing import Any

import pytest

from pipeline.calibrate.input_manifest import require_unchanged, take_inputs
from pipeline.config.flight import load_config
from pipeline.errors import InputError
from pipeline.read import stamp


def on_disk(folder: Path) -> dict[str, Path]:
    return {
        p.relative_to(folder).as_posix(): p
        for p in folder.rglob("*")
        if p.is_file() and "results" not in p.parts
    }


def test_inputs_are_every_file_that_the_flight_uses(rich_flight: Any) -> None:
    inputs = take_inputs(load_config(rich_flight.config))
    assert set(on_disk(rich_flight.folder)) - {f.name for f in inputs} == {"flight.toml"}
    roles = {f.name: f.role for f in inputs}
    assert roles["raw/strip-00.raw"] == "cube"
    assert roles["raw/cap-after.raw"] == "dark"
    assert roles["raw/flat-0.raw"] == "flat"
    assert roles["raw/flat-0.hdr"] == "header"
    assert roles["raw/strip-00.times.csv"] == "line times"
    assert roles["raw/manifest.sha256"] == "manifest"
    assert roles["certificates/grey-50.csv"] == "certificate"
    assert {roles[n] for n in ("track.csv", "irradiance.csv", "areas.kml")} == {
        "track", "irradiance", "regions"
    }  # fmt: skip


def test_all_but_raw_files_are_digested_at_once(rich_flight: Any) -> None:
    inputs = take_inputs(load_config(rich_flight.config))
    for file in inputs:
        content = file.path.read_bytes()
        assert file.bytes == len(content)
        assert file.sha256 == (None if file.raw else hashlib.sha256(content).hexdigest())
    assert not inputs.complete
    raw = {f.path: "0" * 64 for f in inputs if f.raw}
    assert inputs.with_digests(raw).complete
    assert not inputs.complete, "the manifest itself was changed"


def test_counts_in_many_files_are_one_input(plain_copy: Any, tmp_path: Path) -> None:
    inputs = take_inputs(load_config(plain_copy.config))
    parts = [tmp_path / f"{i}.raw" for i in range(3)]
    for i, part in enumerate(parts):
        part.write_bytes(bytes(i))
    stamps = tuple((part, stamp.first_look(part)) for part in parts)
    folder = dataclasses.replace(inputs.files[0], path=tmp_path, stamps=stamps)
    assert folder.bytes == 3
    assert folder.changed() is None
    parts[1].write_bytes(b"x")
    error = folder.changed()
    assert error is not None
    assert error.where == parts[1]


def test_a_darks_own_line_times_are_an_input(plain_copy: Any) -> None:
    raw = plain_copy.folder / "raw"
    (raw / "cap-before.times.csv").write_text((raw / "strip-00.times.csv").read_text())
    inputs = take_inputs(load_config(plain_copy.config))
    [file] = [f for f in inputs if f.name == "raw/cap-before.times.csv"]
    assert (file.role, file.cube) == ("line times", "")
    dark = next(d for d in inputs.found.darks if d.name == "cap-before")
    assert inputs.found.line_times_path(dark) == file.path


def test_of_a_refused_cube_the_header_is_an_input_and_nothing_else(plain_copy: Any) -> None:
    header = plain_copy.folder / "raw" / "strip-01.hdr"
    header.write_text(header.read_text().replace("exposure time = ", "exposure time = 1"))
    inputs = take_inputs(load_config(plain_copy.config))
    assert inputs.refused == {"strip-01"}
    assert [f.name for f in inputs.of_cube("strip-01")] == ["raw/strip-01.hdr"]


def test_a_refused_cube_whose_header_cannot_be_read_is_no_input(plain_copy: Any) -> None:
    header = plain_copy.folder / "raw" / "strip-01.hdr"
    header.unlink()
    header.mkdir()
    inputs = take_inputs(load_config(plain_copy.config))
    assert inputs.refused == {"strip-01"}
    assert inputs.of_cube("strip-01") == ()


def test_two_files_of_one_name_outside_the_flight_are_two_inputs(
    plain_copy: Any, tmp_path: Path
) -> None:
    for name, panel in (("2025", "grey-24"), ("2026", "grey-50")):
        (tmp_path / name).mkdir()
        source = plain_copy.folder / "certificates" / f"{panel}.csv"
        source.rename(tmp_path / name / "grey.csv")
        plain_copy.edit(f'"certificates/{panel}.csv"', f'"{tmp_path / name / "grey.csv"}"')
    inputs = take_inputs(load_config(plain_copy.config))
    assert sum(f.name.endswith("grey.csv") for f in inputs) == 2
    assert len({f.name for f in inputs}) == len(inputs.files)


def test_a_file_beside_the_config_and_one_in_the_flights_folder_are_two_inputs(
    plain_copy: Any, tmp_path: Path
) -> None:
    """Both are named from their own folder; with the raw files elsewhere the names are one."""
    raw = tmp_path / "card"
    (plain_copy.folder / "raw").rename(raw)
    plain_copy.edit('folder = "raw"', f'folder = "{raw}"')
    (plain_copy.folder / "track.csv").rename(plain_copy.folder / "strip-00.times.csv.track")
    plain_copy.edit('"track.csv"', '"strip-00.times.csv.track"')
    (raw / "strip-00.times.csv.track").write_text("another")
    (raw / "manifest.sha256").rename(raw / "m")
    (raw / "m").rename(raw / "areas.kml")
    plain_copy.edit('track = "', f'manifest = "{raw / "areas.kml"}"\ntrack = "')
    inputs = take_inputs(load_config(plain_copy.config))
    assert {f.role for f in inputs if f.path.name == "areas.kml"} == {"manifest", "regions"}
    assert len({f.name for f in inputs}) == len(inputs.files) == len({f.path for f in inputs})


@pytest.mark.parametrize("how", ["content", "touched", "replaced", "size", "time set back", "gone"])
def test_the_second_look_sees_any_change(plain_copy: Any, how: str) -> None:
    inputs = take_inputs(load_config(plain_copy.config))
    require_unchanged(inputs)
    file = plain_copy.folder / "raw" / "strip-01.raw"
    change(file, how)
    with pytest.raises(InputError, match=r"strip-01\.raw: changed"):
        require_unchanged(inputs)
    require_unchanged(inputs.shared)
    require_unchanged(inputs.of_cube("strip-00"))
    with pytest.raises(InputError):
        require_unchanged(inputs.of_cube("strip-01"))
    kept = inputs.with_digests({file: "0" * 64}).without_lost(["strip-01"])
    assert {f.name for f in inputs} - {f.name for f in kept} == {"raw/strip-01.raw"}


def change(file: Path, how: str) -> None:
    """Make a file another one."""
    seen, content = file.stat(), file.read_bytes()
    other = bytes([content[0] ^ 1]) + content[1:]
    match how:
        case "content":
            file.write_bytes(other)
        case "touched":
            os.utime(file, ns=(seen.st_atime_ns, seen.st_mtime_ns + 1))
        case "size":
            file.write_bytes(content + b"x")
            os.utime(file, ns=(seen.st_atime_ns, seen.st_mtime_ns))
        case "time set back":
            file.write_bytes(other)
            os.utime(file, ns=(seen.st_atime_ns, seen.st_mtime_ns))
        case "replaced":
            beside = file.with_name("beside")
            beside.write_bytes(other)
            os.utime(beside, ns=(seen.st_atime_ns, seen.st_mtime_ns))
            beside.replace(file)
        case _:
            file.unlink()


def test_a_change_within_one_step_of_the_clock_is_seen(tmp_path: Path) -> None:
    """File systems date changes by a clock that steps; the first look waits for the next step."""
    file = tmp_path / "a"
    for i in range(40):
        file.write_text(f"{i:4}")
        first = stamp.first_look(file)
        file.write_text(f"{-i - 1:4}")
        assert stamp.stamp_of(file) != first


def test_the_first_look_waits_no_longer_than_a_step(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    waits: list[float] = []
    monkeypatch.setattr(time, "sleep", waits.append)
    (tmp_path / "a").write_text("x")
    stamp.first_look(tmp_path / "a")
    # A clock of the disk that is ahead of ours would have us wait for ever.
    monkeypatch.setattr(time, "time_ns", lambda: 0)
    stamp.first_look(tmp_path / "a")
    assert all(0 < wait <= 0.02 for wait in waits)
    assert len(waits) <= 1
