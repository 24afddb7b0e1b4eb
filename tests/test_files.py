"""A file is opened where it is a regular one, and nothing else ever waits."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from pipeline.errors import ConfigError, InputError
from pipeline.files import file_sha256, open_regular, read_bytes

pytestmark = pytest.mark.timeout(10)


def made(folder: Path, kind: str) -> Path:
    path = folder / "x"
    match kind:
        case "folder":
            path.mkdir()
        case "pipe":
            os.mkfifo(path)
        case "socket":
            with socket.socket(socket.AF_UNIX) as listener:
                listener.bind(str(path))
        case "link to a device":
            path.symlink_to("/dev/zero")
        case "link to nowhere":
            path.symlink_to(folder / "nowhere")
    return path


@pytest.mark.parametrize(
    ("kind", "message"),
    [
        ("absent", "no such file"),
        ("link to nowhere", "no such file"),
        ("folder", "a folder; expected a regular file"),
        ("pipe", "a pipe; expected a regular file"),
        ("socket", "a socket; expected a regular file"),
        ("link to a device", "a device; expected a regular file"),
    ],
)
def test_what_is_not_a_regular_file_is_refused(tmp_path: Path, kind: str, message: str) -> None:
    path = made(tmp_path, kind)
    for attempt in (open_regular, file_sha256, lambda p: read_bytes(p, 9)):
        with pytest.raises(InputError, match=message) as caught:
            attempt(path)  # type: ignore[operator]
        assert str(path) in str(caught.value)


@pytest.mark.parametrize("name", ["a\0b", "n" * 300, "x/" * 3000])
def test_names_that_no_file_has(tmp_path: Path, name: str) -> None:
    with pytest.raises(ConfigError) as caught:
        read_bytes(tmp_path / name, 9, error=ConfigError)
    assert "\n" not in str(caught.value)


def test_bytes_up_to_the_limit(tmp_path: Path) -> None:
    path = tmp_path / "x"
    path.write_bytes(b"123")
    assert read_bytes(path, 3) == b"123"
    with pytest.raises(InputError, match="more than 2 bytes"):
        read_bytes(path, 2)
