"""The tables of `reflectory compare`."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.errors import one_line

#: Bands shown at the most; `--json` has all of them.
BANDS_SHOWN = 20


def print_comparison(comparison: Mapping[str, Any], console: Console | None = None) -> None:
    """Print a comparison; every text is shown as it is, markup has no meaning."""
    console = console or Console(
        file=sys.stdout, highlight=False, soft_wrap=not sys.stdout.isatty()
    )
    a, b = comparison["runs"]
    keys = [key for key in a if key != "run_id"]
    _table(console, "runs", ("", "a", "b"), [("run_id", a["run_id"], b["run_id"])] + [
        (key, a[key], b[key]) for key in keys
    ])  # fmt: skip
    _table(
        console,
        "config",
        ("key", "a", "b"),
        [(key, *(_value(v) for v in both)) for key, both in comparison["config"].items()],
    )
    _table(
        console,
        "inputs",
        ("input", "change"),
        [(name, how) for how, names in comparison["inputs"].items() for name in names],
    )
    _table(
        console,
        "panels",
        ("panel", "what", "mean in a", "mean in b", "largest change"),
        list(_panel_lines(comparison["panels"])),
    )
    _table(
        console,
        "checks",
        ("check", "verdict a", "verdict b", "value a", "value b"),
        [
            (
                f"{row['check']} {row['subject']}".strip(),
                *row["verdict"],
                *map(_number, row["value"]),
            )
            for row in comparison["checks"]["changed"]
        ],
    )
    light = comparison["reflectance"]
    bands = light["bands"]
    step = -(-len(bands) // BANDS_SHOWN) or 1
    _table(
        console,
        f"reflectance, b less a, over {len(light['cubes'])} cubes"
        + (f", one in {step} of {len(bands)} bands" if step > 1 else ""),
        ("nm", "samples", "mean", "5 %", "95 %"),
        [
            (
                f"{r['wavelength_nm']:.1f}",
                r["samples"],
                *(_signed(r[k]) for k in ("mean", "p5", "p95")),
            )
            for r in bands[::step]
        ],
    )
    for name, why in light["left_out"].items():
        console.print(Text(one_line(f"not compared: {name}: {why}")))


def _panel_lines(rows: Iterable[Mapping[str, Any]]) -> Iterable[Sequence[object]]:
    for row in rows:
        if row["change"] != "changed":
            yield row["panel"], row["change"], "", "", ""
        for key in ("signal", "certified"):
            part = row.get(key)
            if part and "mean" in part:
                means = [_number(v) for v in part["mean"]]
                yield row["panel"], key, *means, _number(part["largest_change"])
            elif part:
                yield row["panel"], key, "", "", json.dumps(part)
        if "use" in row:
            yield row["panel"], "use", *row["use"], ""


def _table(
    console: Console, title: str, headings: Sequence[str], rows: Sequence[Sequence[object]]
) -> None:
    if not rows:
        console.print(Text(f"{title}: no difference"))
        return
    console.print(Text(title, "bold"))
    table = Table(box=None, pad_edge=False)
    for heading in headings:
        table.add_column(heading, overflow="fold")
    for row in rows:
        table.add_row(*(Text(one_line("" if cell is None else cell)) for cell in row))
    console.print(table)


def _value(value: object) -> str:
    return "" if value is None else json.dumps(value, ensure_ascii=False)


def _number(value: object) -> str:
    return f"{value:.6g}" if isinstance(value, int | float) else ""


def _signed(value: object) -> str:
    return f"{value:+.5f}" if isinstance(value, int | float) else ""
