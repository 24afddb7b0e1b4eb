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
from pipeline.inspect.compare import six_digits
from pipeline.radiometry.checks.row import many

#: Bands shown at the most; `--json` has all of them.
BANDS_SHOWN = 20


def show_comparison(comparison: Mapping[str, Any], console: Console | None = None) -> None:
    """Print a comparison; every text is shown as it is, markup has no meaning."""
    console = console or Console(
        file=sys.stdout, highlight=False, soft_wrap=not sys.stdout.isatty()
    )
    a, b = comparison["runs"]
    light = comparison["reflectance"]
    if comparison["same"]:
        console.print(Text(one_line(_sameness(a["run_id"], b["run_id"], len(light["cubes"])))))
        return
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
        [_check_line(row) for row in comparison["checks"]["changed"]],
    )
    _print_reflectance(console, light)
    _table(
        console,
        "variables",
        ("cube", "variable", "differs in"),
        [
            (cube, name, ", ".join(what))
            for cube, apart in light["variables"].items()
            for name, what in apart.items()
        ],
    )


def _sameness(run_a: str, run_b: str, cubes: int) -> str:
    runs = f"Runs {run_a} and {run_b}" if run_a != run_b else f"Both are run {run_a}: they"
    compared = f" and the reflectance of {many(cubes, 'cube')}" if cubes else "; neither has a cube"
    return f"{runs} are the same in config, inputs, panels, checks{compared}."


def _check_line(row: Mapping[str, Any]) -> Sequence[str]:
    """One check of both runs; a subject that is not the same in both stands by its value."""
    subjects = row["subject"]
    one = len({subject for subject in subjects if subject is not None}) == 1
    name = f"{row['check']} {next(s for s in subjects if s is not None) if one else ''}".strip()
    verdicts = ("not in this run" if verdict is None else verdict for verdict in row["verdict"])
    values = (
        f"{six_digits(value)}{'' if one else f' {subject}'}".strip()
        for value, subject in zip(row["value"], subjects, strict=True)
    )
    return name, *verdicts, *values


def _print_reflectance(console: Console, light: Mapping[str, Any]) -> None:
    bands, cubes = light["bands"], len(light["cubes"])
    if not cubes:
        reason = "" if light["left_out"] else ": neither run has a cube"
        console.print(Text(f"reflectance: not compared{reason}"))
    elif not any(row["differing"] for row in bands):
        console.print(Text(f"reflectance: the same wherever valid in both, {many(cubes, 'cube')}"))
    else:
        step = -(-len(bands) // BANDS_SHOWN) or 1
        _table(
            console,
            f"reflectance, b less a, over {many(cubes, 'cube')}"
            + (f", one in {step} of {len(bands)} bands" if step > 1 else ""),
            ("nm", "samples", "differing", "mean", "5 %", "95 %"),
            [
                (
                    f"{r['wavelength_nm']:.1f}",
                    r["samples"],
                    r["differing"],
                    *(_signed(r[k]) for k in ("mean", "p5", "p95")),
                )
                for r in bands[::step]
            ],
        )
    in_one = sum(row["in_one"] for row in bands)
    if in_one:
        console.print(Text(f"valid in one run alone: {many(in_one, 'sample')}, all bands together"))
    for name, why in light["left_out"].items():
        console.print(Text(one_line(f"not compared: {name}: {why}")))


def _panel_lines(rows: Iterable[Mapping[str, Any]]) -> Iterable[Sequence[object]]:
    for row in rows:
        if row["change"] != "changed":
            yield row["panel"], row["change"], "", "", ""
        for key in ("signal", "certified"):
            part = row.get(key)
            if part and "mean" in part:
                means = [six_digits(v) for v in part["mean"]]
                yield row["panel"], key, *means, six_digits(part["largest_change"])
            elif part:
                yield row["panel"], f"{key}, not compared", *_bands_apart(part), ""
        if "use" in row:
            yield row["panel"], "use", *row["use"], ""


def _bands_apart(part: Mapping[str, Any]) -> Sequence[str]:
    """Why a panel's spectra were not compared: other bands, or none that both have."""
    return [f"{n} bands" for n in part.get("bands", ())] or ["no band", "in common"]


def _table(
    console: Console, title: str, headings: Sequence[str], rows: Sequence[Sequence[object]]
) -> None:
    if not rows:
        console.print(Text(f"{title}: the same"))
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


def _signed(value: object) -> str:
    return f"{value:+.5f}" if isinstance(value, int | float) else ""
