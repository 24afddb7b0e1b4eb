"""What a person sees: progress bars on a terminal, plain lines in a log, a table at the end."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

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
from rich.table import Table
from rich.text import Text

from pipeline.errors import one_line

_STYLES = {"fail": "bold red", "caution": "yellow", "not checked": "dim", "pass": "green"}
_SHOWN = ("fail", "caution")


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
        self._console.print(Text(f"{text} {told}".rstrip()), soft_wrap=True)


def show(document: Mapping[str, Any], folder: Path | None, *, reused: bool = False) -> None:
    """The verdict, the checks that matter, and where the results are."""
    console = Console(file=sys.stdout, highlight=False, soft_wrap=not sys.stdout.isatty())
    rows = document["checks"]
    table = Table(box=None, pad_edge=False)
    for heading in ("check", "verdict", "what was seen", "what to do"):
        table.add_column(heading, overflow="fold")
    for row in rows:
        if row["verdict"] in _SHOWN:
            name = f"{row['check']} {row['subject']}".strip()
            verdict = Text(row["verdict"], _STYLES[row["verdict"]])
            table.add_row(Text(name), verdict, Text(row["says"]), Text(row["do"]))
    if table.row_count:
        console.print(table)
    counts = {v: sum(row["verdict"] == v for row in rows) for v in _STYLES}
    console.print(Text(", ".join(f"{n} {v}" for v, n in counts.items())))
    for line in _could_be_checked(rows):
        console.print(Text(line))
    console.print(Text(f"{document['flight']}: {document['verdict']}. {document['says']}"))
    if folder is not None:
        done = "already done" if reused else "written"
        console.print(Text(f"{done}: {folder}"))
        console.print(Text(f"report: {folder / 'report.html'}"))


def _could_be_checked(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """What was not checked although something can be done about it, a line each."""
    missing = [row for row in rows if row["verdict"] == "not checked"]
    advised = [row for row in missing if row["do"]]
    if not advised:
        return []
    head = f"of the {len(missing)} not checked, {len(advised)} can be:"
    names = (f"{row['check']} {row['subject']}".strip() for row in advised)
    return [
        head,
        *(f"  {name}: {row['says']} {row['do']}" for name, row in zip(names, advised, strict=True)),
    ]
