"""Flushing behind the writer: what it brings to the disk, and when."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from pipeline.write import flush as module
from pipeline.write.flush import FLUSH_BYTES, FlushBehind


@pytest.fixture
def flushed(monkeypatch: pytest.MonkeyPatch) -> tuple[list[Path], threading.Semaphore]:
    """What has been flushed, in order, and a permit for each."""
    seen: list[Path] = []
    permits = threading.Semaphore(0)

    def record(path: Path) -> None:
        seen.append(path)
        permits.release()

    monkeypatch.setattr(module, "flush", record)
    return seen, permits


def test_a_growing_file_is_flushed_each_time_enough_was_written(tmp_path, flushed):
    seen, permits = flushed
    path = tmp_path / "cube.nc"
    path.write_bytes(b"1")
    with FlushBehind(path) as behind:
        behind.wrote(FLUSH_BYTES - 1)
        assert not permits.acquire(timeout=0.2)
        for _ in range(2):
            behind.wrote(FLUSH_BYTES)
            assert permits.acquire(timeout=10)
    assert seen == [path, path]


def test_a_growing_folders_files_are_flushed_once_each(tmp_path, flushed):
    seen, permits = flushed
    (tmp_path / "reflectance").mkdir()
    with FlushBehind(tmp_path) as behind:
        for shard in ("0", "1"):
            (tmp_path / "reflectance" / shard).write_bytes(b"1")
            behind.wrote(FLUSH_BYTES)
            assert permits.acquire(timeout=10)
    assert seen == [tmp_path / "reflectance" / shard for shard in ("0", "1")]


def test_a_folder_that_is_gone_ends_it_without_a_word(tmp_path, flushed):
    _, permits = flushed
    with FlushBehind(tmp_path / "gone") as behind:
        behind.wrote(FLUSH_BYTES)
        assert not permits.acquire(timeout=0.2)
