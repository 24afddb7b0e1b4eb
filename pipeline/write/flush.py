"""Bringing bytes to the disk while more are made, so that the last flush is short."""

from __future__ import annotations

import os
import threading
from contextlib import suppress
from pathlib import Path
from types import TracebackType

#: Bytes written between two flushes.
FLUSH_BYTES = 128 * 2**20


def flush(path: Path) -> None:
    """Bring a file's or folder's bytes to the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class FlushBehind:
    """Flushes a growing file from a thread of its own; does nothing for a folder.

    Only a head start: whether the bytes have arrived is for the flush before publishing to say,
    which also reports what went wrong.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._waiting = 0
        self._wake = threading.Event()
        self._ended = False

    def wrote(self, count: int) -> None:
        """Tell of bytes written."""
        self._waiting += count
        if self._waiting >= FLUSH_BYTES:
            self._waiting = 0
            self._wake.set()

    def _run(self) -> None:
        with suppress(OSError):
            descriptor = os.open(self._path, os.O_RDONLY)
            try:
                while True:
                    self._wake.wait()
                    self._wake.clear()
                    if self._ended:
                        return
                    os.fdatasync(descriptor)
            finally:
                os.close(descriptor)

    def __enter__(self) -> FlushBehind:
        if self._path.is_file():
            threading.Thread(target=self._run, name="flush", daemon=True).start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        # Not waited for: a flush that is under way ends by itself.
        self._ended = True
        self._wake.set()
