"""What two runs have apart: config, inputs, panels, verdicts, and reflectance band by band."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.inspect.compare_cubes import compare_cubes
from pipeline.records import Check
from pipeline.write.run_record import PanelRow, RunRecord, Spectrum, read_run

#: Checks whose value belongs to the computer and not to the flight.
_OF_THE_DISK = frozenset({"disk-space"})
#: What runs that are the same have alike beside config, inputs and results.
_ALIKE = ("flight", "software", "outcome", "verdict")


def compare(run_a: Path, run_b: Path) -> dict[str, object]:
    """What changed from run a to run b.

    Returns
    -------
    JSON-serialisable: "runs", "config" (dotted key: both values), "inputs" (changed, added, gone
    by name), "panels", "checks", and "reflectance": per band the wavelength [nm], the number of
    samples valid in both, how many of them differ, how many more are valid in one run alone, and
    mean, 5th and 95th percentile of reflectance b minus a over those valid in both (exact, with
    linear interpolation between order statistics; null where no sample is valid); below it
    "variables", by cube and variable, what is not the same: flags, uncertainty, packing,
    attributes among it. "same" is true
    where all of this, flight, software, outcome and verdict are alike and every cube was compared.

    Raises
    ------
    InputError
        One of them is no finished run, or a cube file cannot be read.
    """
    run_a, run_b = Path(run_a), Path(run_b)
    a, b = read_run(run_a), read_run(run_b)
    runs = (_about(run_a, a), _about(run_b, b))
    config = _changes(_flat(dict(a.config)), _flat(dict(b.config)))
    inputs = _inputs(*({i.name: i.sha256 for i in run.inputs} for run in (a, b)))
    panels, checks, light = _panels(a, b), _checks(a, b), compare_cubes(run_a, run_b)
    differences = (
        config,
        *inputs.values(),
        panels,
        checks["changed"],
        light["left_out"],
        light["variables"],
    )
    return {
        "same": not any(differences)
        and all(runs[0][key] == runs[1][key] for key in _ALIKE)
        and not any(row["differing"] or row["in_one"] for row in light["bands"]),
        "runs": list(runs),
        "config": config,
        "inputs": inputs,
        "panels": panels,
        "checks": checks,
        "reflectance": light,
    }


def _about(run: Path, record: RunRecord) -> dict[str, object]:
    keys = ("run_id", "flight", "software", "started", "outcome", "verdict")
    return {"folder": str(run), **{key: getattr(record, key) for key in keys}}


def _flat(value: object, key: str = "") -> dict[str, object]:
    """Leaves by dotted key; a list of tables is keyed by name where each has its own."""
    if isinstance(value, dict) and value:
        parts = [(f"{key}.{k}" if key else str(k), v) for k, v in value.items()]
    elif isinstance(value, list) and value and all(isinstance(v, dict) for v in value):
        names = [v.get("name", i) for i, v in enumerate(value)]
        unlike = len(set(map(str, names))) == len(names)
        parts = [
            (f"{key}[{name if unlike else i}]", {k: w for k, w in v.items() if k != "name"})
            if unlike and "name" in v
            else (f"{key}[{i}]", v)
            for i, (name, v) in enumerate(zip(names, value, strict=True))
        ]
    else:
        return {key: value}
    found: dict[str, object] = {}
    for name, part in parts:
        found |= _flat(part, name)
    return found


def _changes(a: Mapping[str, object], b: Mapping[str, object]) -> dict[str, list[object]]:
    return {
        key: [a.get(key), b.get(key)]
        for key in [*a, *(k for k in b if k not in a)]
        if a.get(key) != b.get(key)
    }


def _inputs(a: Mapping[str, object], b: Mapping[str, object]) -> dict[str, list[str]]:
    return {
        "changed": sorted(name for name in a if name in b and a[name] != b[name]),
        "added": sorted(name for name in b if name not in a),
        "gone": sorted(name for name in a if name not in b),
    }


def _panels(a: RunRecord, b: RunRecord) -> list[dict[str, object]]:
    """Panels whose certified reflectance or signal changed; differences are over a's mean."""
    before, after = ({row.panel: row for row in run.panels} for run in (a, b))
    rows: list[dict[str, object]] = []
    for name in [*before, *(n for n in after if n not in before)]:
        if name not in after or name not in before:
            rows.append({"panel": name, "change": "added" if name in after else "gone"})
        elif changed := _panel(before[name], after[name]):
            rows.append({"panel": name, "change": "changed", **changed})
    return rows


def _panel(before: PanelRow, after: PanelRow) -> dict[str, object]:
    """What of a panel changed; empty where nothing did."""
    changed: dict[str, object] = {}
    for key in ("signal", "certified"):
        old, new = (_numbers(getattr(row, key)) for row in (before, after))
        if old.shape != new.shape:
            changed[key] = {"bands": [old.size, new.size]}
        elif not np.array_equal(old, new, equal_nan=True):
            changed[key] = _spread(old, new)
    if before.use != after.use:
        changed["use"] = [before.use, after.use]
    return changed


def _numbers(spectrum: Spectrum) -> NDArray[np.float64]:
    return np.array([math.nan if v is None else v for v in spectrum], np.float64)


def _spread(old: NDArray[np.float64], new: NDArray[np.float64]) -> dict[str, object]:
    """Mean and largest change over the bands both have."""
    both = np.isfinite(old) & np.isfinite(new)
    change = (new - old)[both]
    if not both.any():
        return {"bands_compared": 0}
    worst = float(change[np.abs(change).argmax()])
    return {
        "bands_compared": int(both.sum()),
        "mean": [float(old[both].mean()), float(new[both].mean())],
        "mean_change": float(change.mean()),
        "largest_change": worst,
    }


def _checks(a: RunRecord, b: RunRecord) -> dict[str, Any]:
    """The verdicts, and every check whose verdict or value, to six digits, changed."""
    changed = [
        {
            "check": (old or new).check,  # type: ignore[union-attr]
            **{key: [getattr(old, key, None), getattr(new, key, None)] for key in _TOLD},
        }
        for old, new in _check_pairs(a.checks, b.checks)
        if _differ(old, new)
    ]
    return {"verdict": [a.verdict, b.verdict], "changed": changed}


#: What is told of a check that changed.
_TOLD = ("subject", "verdict", "value")


def _differ(old: Check | None, new: Check | None) -> bool:
    if old is None or new is None or old.verdict != new.verdict:
        return True
    return six_digits(old.value) != six_digits(new.value) and old.check not in _OF_THE_DISK


def six_digits(value: float | None) -> str:
    """A number as the tables show it; empty where there is none."""
    return "" if value is None else f"{value:.6g}"


def _check_pairs(
    a: Sequence[Check], b: Sequence[Check]
) -> Iterator[tuple[Check | None, Check | None]]:
    """Rows of one check in both runs; None stands for the one that has none.

    Rows pair by check and subject. A check whose subject is only the worst of its kind, another
    strip in each run, leaves one row on either side: these two belong together too.
    """
    after = {(row.check, row.subject): row for row in b}
    before = {(row.check, row.subject) for row in a}
    alone: dict[str, list[Check]] = {}
    for key, row in after.items():
        if key not in before:
            alone.setdefault(row.check, []).append(row)
    unpaired = Counter(check for check, subject in before if (check, subject) not in after)
    for row in a:
        new = after.get((row.check, row.subject))
        if new is None and unpaired[row.check] == len(alone.get(row.check, ())) == 1:
            new = alone.pop(row.check)[0]
        yield row, new
    for rows in alone.values():
        yield from ((None, row) for row in rows)
