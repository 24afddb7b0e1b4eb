"""A log of runs and sweeps: one JSON object a line, one line an event.

{"time": "2026-06-18T11:20:04.125Z", "level": "info", "event": "cube written", "flight": ...}
"""

from __future__ import annotations

import datetime as dt
import json
import math
import os
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Self

from pipeline.errors import OutputError, one_line
from pipeline.progress.protocol import Progress

#: Level of each event that is not plain information.
LEVELS: Mapping[str, str] = MappingProxyType(
    {
        "cube refused": "warning",
        "made anew": "warning",
        "set aside": "warning",
        "flight waiting": "info",
        "flight not whole": "error",
        "flight failed": "error",
        "flight set aside": "error",
    }
)


class LogFile:
    """A `Progress` that appends to a file; a context manager.

    An event is one line, handed to the system at once and in one piece, so that several programs
    may share a file and a killed one loses nothing. A file that cannot be opened is an
    OutputError; one that cannot be written later (disk full) loses lines but never stops a run.
    """

    def __init__(self, path: str | Path) -> None:
        try:
            self._fd = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except (OSError, ValueError) as error:
            raise OutputError(
                f"cannot write the log: {getattr(error, 'strerror', None) or error}",
                where=one_line(path),
                do="Choose another log file",
            ) from error
        self._torn = False  # the last line was written in part

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is not None:
            self.event("ended", level="error", why=str(error) or type(error).__name__)
        self.close()

    def close(self) -> None:
        """Close the file; later events are dropped."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    @contextmanager
    def stage(self, name: str, steps: int) -> Iterator[Callable[[int], None]]:
        """One line as the stage ends, with the steps done and the seconds it took."""
        clock, count = time.perf_counter(), 0

        def done(more: int) -> None:
            nonlocal count
            count += more

        try:
            yield done
        finally:
            seconds = round(time.perf_counter() - clock, 3)
            self.event("stage", stage=name, steps=steps, done=count, seconds=seconds)

    def event(self, text: str, **facts: object) -> None:
        """One line; a fact named `level` replaces the event's own level."""
        row = {
            "time": _now(),
            "level": facts.pop("level", LEVELS.get(text, "info")),
            "event": text,
            **{name: _plain(value) for name, value in facts.items()},
        }
        # ensure_ascii escapes control characters and lone surrogates: a line stays a line.
        data = json.dumps(row, ensure_ascii=True, allow_nan=False).encode("ascii") + b"\n"
        if self._torn:
            data = b"\n" + data
        with suppress(OSError):
            written = os.write(self._fd, data)
            self._torn = written < len(data) if written else self._torn


class Both:
    """Tells two listeners the same."""

    def __init__(self, first: Progress, second: Progress) -> None:
        self._listeners = (first, second)

    @contextmanager
    def stage(self, name: str, steps: int) -> Iterator[Callable[[int], None]]:
        with ExitStack() as stack:
            calls = [stack.enter_context(each.stage(name, steps)) for each in self._listeners]

            def done(more: int) -> None:
                for call in calls:
                    call(more)

            yield done

    def event(self, text: str, **facts: object) -> None:
        for each in self._listeners:
            each.event(text, **facts)


class About:
    """Adds the same facts to every event: of which flight it is."""

    def __init__(self, progress: Progress, **facts: object) -> None:
        self._progress, self._facts = progress, facts

    @contextmanager
    def stage(self, name: str, steps: int) -> Iterator[Callable[[int], None]]:
        with self._progress.stage(name, steps) as done:
            yield done

    def event(self, text: str, **facts: object) -> None:
        self._progress.event(text, **{**self._facts, **facts})


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _plain(value: object) -> object:
    """A fact as JSON can hold it; a number that is not finite is null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, Mapping):
        return {str(name): _plain(part) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    return str(value)
