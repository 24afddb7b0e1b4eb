"""What a person sees while it works: bars on a terminal, plain lines in a log."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import TracebackType

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    Task,
    TextColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from pipeline.foreign import one_line


class _Rate(ProgressColumn):
    """Steps a second."""

    def render(self, task: Task) -> Text:
        return Text("" if task.speed is None else f"{task.speed:,.3g}/s", style="dim")


class Terminal:
    """Progress on standard error: bars where it is a terminal, a line an event elsewhere.

    Events whose text begins with `left_out` are not shown: the command prints them as its result.
    """

    def __init__(self, *, left_out: str = "") -> None:
        self._left_out = left_out
        self._console = Console(stderr=True, highlight=False)
        self._bars: Progress | None = None
        if self._console.is_terminal:
            self._bars = Progress(
                TextColumn("{task.description:>8}"),
                BarColumn(),
                MofNCompleteColumn(),
                _Rate(),
                TimeRemainingColumn(),
                console=self._console,
            )

    def __enter__(self) -> Terminal:
        if self._bars is not None:
            self._bars.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._bars is not None:
            self._bars.stop()

    @contextmanager
    def stage(self, name: str, steps: int) -> Iterator[Callable[[int], None]]:
        """A bar; nothing in a log."""
        if self._bars is None:
            yield lambda done: None
            return
        bars, task = self._bars, self._bars.add_task(name, total=steps)
        yield lambda done: bars.advance(task, done)

    def event(self, text: str, **facts: object) -> None:
        """One line."""
        if self._left_out and text.startswith(self._left_out):
            return
        told = " ".join(f"{name}={one_line(value)}" for name, value in facts.items())
        self._console.print(Text(f"{one_line(text)} {told}".rstrip()), soft_wrap=True)
