"""Small files, whole under their names or not there.

Beside them lies `.<name>.writing-*` while one is written, and longer where its writer was killed:
the next small file in that folder takes it away. It is alive while its lock is held.
"""

from __future__ import annotations

import fcntl
import os
import tempfile
from contextlib import suppress
from pathlib import Path

_WRITING = "writing-"


def write_text(path: Path, text: str) -> None:
    """Write a small file so that it is whole under its name, or not there."""
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, content: bytes) -> None:
    """Write a small file so that it is whole under its name, or not there.

    Raises
    ------
    OSError
        What was there before stands.
    """
    _clear_leftovers(path.parent)
    while True:
        descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.{_WRITING}")
        beside = Path(name)
        try:
            with os.fdopen(descriptor, "wb") as file:
                _lock(file.fileno())
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
                beside.chmod(0o644)
                beside.replace(path)
            return
        except FileNotFoundError:
            # Another writer took it for a leftover before it was locked; then again.
            continue
        except BaseException:
            beside.unlink(missing_ok=True)
            raise


def _clear_leftovers(folder: Path) -> None:
    """Remove what killed writers left of small files here."""
    for left in folder.glob(f".*.{_WRITING}*"):
        # Whatever is not ours to open, or is being written, stays.
        with suppress(OSError):
            descriptor = os.open(left, os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC)
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                left.unlink()
            finally:
                os.close(descriptor)


def _lock(descriptor: int) -> None:
    # A file system without locks has no leftovers cleared either.
    with suppress(OSError):
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
