"""Bringing bytes to the disk while more are made, so that the last flush is short."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
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
    """Flushes a growing file, or a growing folder's files, from a thread of its own.

    Only a head start: whether the bytes have arrived is for the flush before publishing to say,
    which also reports what went wrong.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._flushed: set[Path] = set()  # of a folder's files, each written at once
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
            while True:
                self._wake.wait()
                self._wake.clear()
                for path in self._grown():
                    if self._ended:
                        return
                    flush(path)

    def _grown(self) -> Iterator[Path]:
        if self._path.is_file():
            yield self._path
            return
        for path in self._path.rglob("*"):
            if path not in self._flushed and path.is_file():
                self._flushed.add(path)
                yield path

    def __enter__(self) -> FlushBehind:
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
