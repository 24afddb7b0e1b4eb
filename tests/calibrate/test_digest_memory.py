"""The memory of raw files' digests never gives an old digest to a changed file."""

from __future__ import annotations

import dataclasses
import json
import time
from pathlib import Path

import pytest

from pipeline.calibrate.digest_memory import DigestMemory
from pipeline.calibrate.input_manifest import InputFile
from pipeline.read.stamp import first_look, stamp_of

SHA = "ab" * 32


def seen(path: Path, sha256: str | None = SHA) -> InputFile:
    return InputFile(path, path.name, "cube", "", ((path, first_look(path)),), sha256)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "a.raw"
    path.write_bytes(b"one")
    return path


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "kept" / "digests.json"


def test_a_digest_is_recalled_while_the_file_is_the_same(file: Path, place: Path) -> None:
    memory = DigestMemory(place)
    assert memory.recall([seen(file, None)]) == {}
    memory.remember([seen(file)])
    again = DigestMemory(place)
    assert again.recall([seen(file, None)]) == {file: SHA}
    assert again.sha256_of == {file: SHA}


@pytest.mark.parametrize("field", ["bytes", "modified_ns", "inode", "changed_ns"])
def test_a_digest_is_forgotten_when_anything_of_the_stamp_is_another(
    file: Path, place: Path, field: str
) -> None:
    memory = DigestMemory(place)
    memory.remember([seen(file)])
    stamp = stamp_of(file)
    other = dataclasses.replace(stamp, **{field: getattr(stamp, field) + 1})
    then = dataclasses.replace(seen(file), stamps=((file, other),))
    assert DigestMemory(place).recall([then]) == {}


def test_a_file_changed_after_it_was_read_is_not_remembered_as_it_is_now(
    file: Path, place: Path
) -> None:
    read = seen(file)
    time.sleep(0.01)
    file.write_bytes(b"two")
    DigestMemory(place).remember([read])
    assert DigestMemory(place).recall([seen(file, None)]) == {}


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"a": 3}', '{"files": {}, "sha256 of files": 3}', "\x00", "[" * 9999]
)
def test_a_damaged_memory_is_an_empty_one(file: Path, place: Path, text: str) -> None:
    place.parent.mkdir()
    place.write_text(text)
    memory = DigestMemory(place)
    assert memory.recall([seen(file, None)]) == {}
    memory.remember([seen(file)])
    assert memory.recall([seen(file, None)]) == {file: SHA}


def test_a_flipped_bit_is_a_damage(file: Path, place: Path) -> None:
    DigestMemory(place).remember([seen(file)])
    text = place.read_text()
    place.write_text(text.replace("abab", "abac", 1))
    assert json.loads(place.read_text())
    assert DigestMemory(place).recall([seen(file, None)]) == {}
