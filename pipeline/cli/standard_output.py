"""Standard output that may be closed or full: an error of ours, and no traceback."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TextIO, TypeVar

from pipeline.errors import OutputError

T = TypeVar("T")


class _Guarded:
    """A stream whose failures are told in our words; a reader that left is none."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        """Write; OutputError where the stream cannot take it."""
        return self._tried(lambda: self._stream.write(text))

    def flush(self) -> None:
        """Flush, likewise."""
        self._tried(self._stream.flush)

    def _tried(self, call: Callable[[], T]) -> T:
        try:
            return call()
        except BrokenPipeError:
            raise
        except OSError as error:
            raise OutputError(
                f"cannot be written: {error.strerror or error}",
                where="standard output",
                do="Send it elsewhere; what the command did beside is done",
            ) from error


@contextmanager
def guarded_output() -> Iterator[None]:
    """Within, standard output is guarded, and flushed at the end; a closed one takes all.

    On failure what is still to be written is dropped, so that the interpreter does not try again.
    """
    before, errors = sys.stdout, sys.stderr
    with Path(os.devnull).open("w") as nowhere:
        # A stream that was closed before the program began is None, whatever its type says.
        sys.stderr = sys.stderr or nowhere
        sys.stdout = _Guarded(sys.stdout or nowhere)
        try:
            yield
            sys.stdout.flush()
        except (OutputError, BrokenPipeError):
            with suppress(OSError, ValueError, AttributeError):
                os.dup2(nowhere.fileno(), before.fileno())
            raise
        finally:
            sys.stdout, sys.stderr = before, errors
