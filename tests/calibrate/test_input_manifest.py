"""A run's identity, and the memory of raw files' digests."""

from __future__ import annotations

import hashlib
import json
import os
import time
from pathlib import Path
from typing import Any

import pytest

from pipeline.calibrate.input_manifest import (
    ID_LENGTH,
    DigestMemory,
    finished_runs,
    input_name,
    raw_inputs,
    run_id,
    small_inputs,
)
from pipeline.config.flight import load_config
from pipeline.read.inventory import take_inventory


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_inputs_are_every_file_that_the_flight_uses(rich_flight: Any) -> None:
    config = load_config(rich_flight.config)
    found = take_inventory(config)
    names = {input_name(config, p) for p in (*small_inputs(config, found), *raw_inputs(found))}
    on_disk = {
        p.relative_to(rich_flight.folder).as_posix()
        for p in rich_flight.folder.rglob("*")
        if p.is_file() and "results" not in p.parts
    }
    assert on_disk - names == {"flight.toml"}
    assert names <= on_disk


def test_the_id_depends_on_config_inputs_refusals_and_version_alone(
    plain_flight: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = load_config(plain_flight.config)
    digests = {"a": "1", "b": "2"}
    first = run_id(config, digests, {})
    assert len(first) == ID_LENGTH
    assert first == run_id(config, {"b": "2", "a": "1"}, {})
    assert first != run_id(config, {"a": "1", "b": "3"}, {})
    assert first != run_id(config, {"a": "1", "c": "2"}, {})
    assert first != run_id(config, digests, {"strip-01": object()})
    assert first != run_id(config.model_copy(update={"work": "{}"}), digests, {})
    monkeypatch.setattr("pipeline.calibrate.input_manifest.__version__", "99")
    assert first != run_id(config, digests, {})


def test_two_files_of_one_name_outside_the_flight_are_two_inputs(
    plain_copy: Any, tmp_path: Path
) -> None:
    for name, panel in (("2025", "grey-24"), ("2026", "grey-50")):
        (tmp_path / name).mkdir()
        source = plain_copy.folder / "certificates" / f"{panel}.csv"
        source.rename(tmp_path / name / "grey.csv")
        plain_copy.edit(f'"certificates/{panel}.csv"', f'"{tmp_path / name / "grey.csv"}"')
    config = load_config(plain_copy.config)
    paths = small_inputs(config, take_inventory(config))
    assert len({input_name(config, p) for p in paths}) == len(paths)


def test_a_digest_is_recalled_while_the_file_is_the_same(tmp_path: Path) -> None:
    file = tmp_path / "a.raw"
    file.write_bytes(b"one")
    memory = DigestMemory(tmp_path / "kept" / "digests.json")
    assert memory.recall([file]) == {}
    memory.remember({file: digest(file)})
    again = DigestMemory(tmp_path / "kept" / "digests.json")
    assert again.recall([file, tmp_path / "absent"]) == {file: digest(file)}


@pytest.mark.parametrize("how", ["content", "touched", "replaced", "size"])
def test_a_digest_is_forgotten_when_the_file_changes(tmp_path: Path, how: str) -> None:
    file = tmp_path / "a.raw"
    file.write_bytes(b"one")
    memory = DigestMemory(tmp_path / "digests.json")
    memory.remember({file: digest(file)})
    stamp = file.stat()
    match how:
        case "content":
            time.sleep(0.01)
            file.write_bytes(b"two")
        case "touched":
            os.utime(file, ns=(stamp.st_atime_ns, stamp.st_mtime_ns + 1))
        case "size":
            file.write_bytes(b"longer")
            os.utime(file, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
        case _:
            other = tmp_path / "b.raw"
            other.write_bytes(b"two")
            os.utime(other, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
            other.replace(file)
    assert DigestMemory(tmp_path / "digests.json").recall([file]) == {}


def test_a_file_changed_after_it_was_read_is_not_remembered_as_it_is_now(tmp_path: Path) -> None:
    file = tmp_path / "a.raw"
    file.write_bytes(b"one")
    memory = DigestMemory(tmp_path / "digests.json")
    memory.recall([file])
    read = digest(file)
    time.sleep(0.01)
    file.write_bytes(b"two")
    memory.remember({file: read})
    assert DigestMemory(tmp_path / "digests.json").recall([file]) == {}


@pytest.mark.parametrize("text", ["", "{", "[]", '{"a": 3}', '{"a": [1, 2, 3]}', "\x00"])
def test_a_damaged_memory_is_an_empty_one(tmp_path: Path, text: str) -> None:
    (tmp_path / "digests.json").write_text(text)
    file = tmp_path / "a"
    file.write_text("x")
    memory = DigestMemory(tmp_path / "digests.json")
    assert memory.recall([file]) == {}
    memory.remember({file: "0" * 64})
    assert memory.recall([file]) == {file: "0" * 64}


def test_finished_runs_are_oldest_first_and_whole(tmp_path: Path) -> None:
    for i, name in enumerate(["bb", "aa", ".writing-x", "cc"]):
        (tmp_path / name).mkdir()
        (tmp_path / name / "run.json").write_text(json.dumps({}))
        os.utime(tmp_path / name / "run.json", ns=(i, i))
    (tmp_path / "half").mkdir()
    assert [p.name for p in finished_runs(tmp_path)] == ["bb", "aa", "cc"]
    assert finished_runs(tmp_path / "absent") == []
