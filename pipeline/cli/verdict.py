"""What a person sees at the end of `run` and `check`: the verdict and the checks that matter."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.foreign import one_line
from pipeline.records import Check
from pipeline.write.run_record import RunRecord

_STYLES = {"fail": "bold red", "caution": "yellow", "not checked": "dim", "pass": "green"}
_SHOWN = ("fail", "caution")


def show_verdict(record: RunRecord, folder: Path | None, *, reused: bool = False) -> None:
    """The verdict, the checks that matter, and where the results are."""
    console = Console(file=sys.stdout, highlight=False, soft_wrap=not sys.stdout.isatty())
    table = Table(box=None, pad_edge=False)
    for heading in ("check", "verdict", "what was seen", "what to do"):
        table.add_column(heading, overflow="fold")
    for row in record.checks:
        if row.verdict in _SHOWN:
            verdict = Text(row.verdict, _STYLES[row.verdict])
            table.add_row(_text(_name(row)), verdict, _text(row.says), _text(row.do))
    if table.row_count:
        console.print(table)
    counts = {v: sum(row.verdict == v for row in record.checks) for v in _STYLES}
    lines = [", ".join(f"{n} {v}" for v, n in counts.items()), *_could_be_checked(record.checks)]
    lines.append(f"{record.flight}: {record.verdict}. {record.says}")
    if folder is not None:
        lines += [f"{'already done' if reused else 'written'}: {folder}"]
        lines += [f"report: {folder / 'report.html'}"]
    for line in lines:
        console.print(_text(line))


def _text(text: str) -> Text:
    return Text(one_line(text))


def _name(row: Check) -> str:
    return f"{row.check} {row.subject}".strip()


def _could_be_checked(rows: Sequence[Check]) -> list[str]:
    """What was not checked although something can be done about it, a line each."""
    missing = [row for row in rows if row.verdict == "not checked"]
    advised = [row for row in missing if row.do]
    if not advised:
        return []
    return [
        f"of the {len(missing)} not checked, {len(advised)} can be:",
        *(f"  {_name(row)}: {row.says} {row.do}" for row in advised),
    ]
