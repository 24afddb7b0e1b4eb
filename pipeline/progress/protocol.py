"""How far a run is: what the stages report to; the command line shows it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol


class Progress(Protocol):
    """Told of stages with a known number of steps, and of events."""

    def stage(self, name: str, steps: int) -> AbstractContextManager[Callable[[int], None]]:
        """A stage begins; the callable takes steps done."""
        ...

    def event(self, text: str, **facts: object) -> None:
        """Something worth one line."""
        ...


class Silent:
    """Shows nothing."""

    @contextmanager
    def stage(self, name: str, steps: int) -> Iterator[Callable[[int], None]]:
        yield lambda done: None

    def event(self, text: str, **facts: object) -> None:
        return None
