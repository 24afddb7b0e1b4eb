"""What two runs have apart: config, inputs, panels, verdicts, and reflectance band by band."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.inspect.finished_run import (
    UNREADABLE,
    StoredCube,
    StoredVariable,
    cube_name,
    cube_paths,
    open_cube,
)
from pipeline.version import PREFIX
from pipeline.write.schema import SCHEMA

#: Lines read at a time; with a tenth of the bands this bounds the memory to some tens of MB.
LINES = 512
#: Differences of two packed values lie within this.
_REACH = 2 ** (8 * SCHEMA["reflectance"].dtype.itemsize) - 1
#: Checks whose value belongs to the computer and not to the flight.
_OF_THE_DISK = frozenset({"disk-space"})
#: What runs that are the same have alike beside config, inputs and results.
_ALIKE = ("flight", "software", "outcome", "verdict")
_QUANTILES = {"p5": 0.05, "p95": 0.95}


def compare(run_a: Path, run_b: Path) -> dict[str, object]:
    """What changed from run a to run b.

    Returns
    -------
    JSON-serialisable: "runs", "config" (dotted key: both values), "inputs" (changed, added, gone
    by name), "panels", "checks", and "reflectance": per band the wavelength [nm], the number of
    samples valid in both, how many of them differ, how many more are valid in one run alone, and
    mean, 5th and 95th percentile of reflectance b minus a over those valid in both (exact, with
    linear interpolation between order statistics; null where no sample is valid). "same" is true
    where all of this, flight, software, outcome and verdict are alike and every cube was compared.

    Raises
    ------
    InputError
        One of them is no finished run, or a cube file cannot be read.
    """
    run_a, run_b = Path(run_a), Path(run_b)
    a, b = read_run(run_a), read_run(run_b)
    runs = (_about(run_a, a), _about(run_b, b))
    config = _changes(_flat(a.get("config")), _flat(b.get("config")))
    inputs = _inputs(_input_digests(a), _input_digests(b))
    panels, checks, light = _panels(a, b), _checks(a, b), _reflectance(run_a, run_b)
    differences = (config, *inputs.values(), panels, checks["changed"], light["left_out"])
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


def read_run(run: Path) -> dict[str, Any]:
    """A run's `run.json`."""
    try:
        document = json.loads((run / "run.json").read_bytes())
    except OSError as error:
        raise InputError(
            f"not a finished run: run.json: {error.strerror}", where=run, do="Name a run's folder"
        ) from None
    except (ValueError, RecursionError):
        raise InputError("not JSON", where=run / "run.json") from None
    if not isinstance(document, dict):
        raise InputError("not a JSON object", where=run / "run.json")
    return document


def prov_inputs(document: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    """The inputs of a run's PROV entities, by name."""
    entities = document.get("entity")
    start = f"{PREFIX}:input/"
    return {
        name.removeprefix(start): entity
        for name, entity in (entities if isinstance(entities, dict) else {}).items()
        if name.startswith(start) and isinstance(entity, dict)
    }


def _about(run: Path, document: Mapping[str, Any]) -> dict[str, object]:
    keys = ("run_id", "flight", "software", "started", "outcome", "verdict")
    return {"folder": str(run), **{key: document.get(key) for key in keys}}


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


def _input_digests(document: Mapping[str, Any]) -> dict[str, object]:
    return {name: entity.get(f"{PREFIX}:sha256") for name, entity in prov_inputs(document).items()}


def _inputs(a: Mapping[str, object], b: Mapping[str, object]) -> dict[str, list[str]]:
    return {
        "changed": sorted(name for name in a if name in b and a[name] != b[name]),
        "added": sorted(name for name in b if name not in a),
        "gone": sorted(name for name in a if name not in b),
    }


def _panels(a: Mapping[str, Any], b: Mapping[str, Any]) -> list[dict[str, object]]:
    """Panels whose certified reflectance or signal changed; differences are over a's mean."""
    before, after = ({row["panel"]: row for row in run.get("panels", ())} for run in (a, b))
    rows: list[dict[str, object]] = []
    for name in [*before, *(n for n in after if n not in before)]:
        if name not in after or name not in before:
            rows.append({"panel": name, "change": "added" if name in after else "gone"})
            continue
        row: dict[str, object] = {"panel": name, "change": "none"}
        for key in ("signal", "certified"):
            old, new = (_numbers(run[name].get(key)) for run in (before, after))
            if old.shape != new.shape:
                row[key] = {"bands": [old.size, new.size]}
            elif not np.array_equal(old, new, equal_nan=True):
                row[key] = _spread(old, new)
        if before[name].get("use") != after[name].get("use"):
            row["use"] = [before[name].get("use"), after[name].get("use")]
        if len(row) > 2:
            rows.append({**row, "change": "changed"})
    return rows


def _numbers(values: object) -> NDArray[np.float64]:
    listed = values if isinstance(values, list) else []
    return np.array([math.nan if v is None else float(v) for v in listed])


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


def _checks(a: Mapping[str, Any], b: Mapping[str, Any]) -> dict[str, Any]:
    """The verdicts, and every check whose verdict or value, to six digits, changed."""
    changed = [
        {
            "check": (old or new)["check"],
            **{key: [old.get(key), new.get(key)] for key in ("subject", "verdict", "value")},
        }
        for old, new in _check_pairs(a.get("checks", ()), b.get("checks", ()))
        if old.get("verdict") != new.get("verdict")
        or (
            six_digits(old.get("value")) != six_digits(new.get("value"))
            and (old or new)["check"] not in _OF_THE_DISK
        )
    ]
    return {"verdict": [a.get("verdict"), b.get("verdict")], "changed": changed}


def six_digits(value: object) -> str:
    """A number as the tables show it; empty where there is none."""
    return f"{value:.6g}" if isinstance(value, int | float) else ""


def _check_pairs(
    a: Sequence[Mapping[str, Any]], b: Sequence[Mapping[str, Any]]
) -> Iterator[tuple[Mapping[str, Any], Mapping[str, Any]]]:
    """Rows of one check in both runs; {} stands for the one that has none.

    Rows pair by check and subject. A check whose subject is only the worst of its kind, another
    strip in each run, leaves one row on either side: these two belong together too.
    """
    after = {(row["check"], row["subject"]): row for row in b}
    before = {(row["check"], row["subject"]) for row in a}
    alone: dict[str, list[Mapping[str, Any]]] = {}
    for key, row in after.items():
        if key not in before:
            alone.setdefault(row["check"], []).append(row)
    unpaired = Counter(check for check, subject in before if (check, subject) not in after)
    for row in a:
        check = row["check"]
        new = after.get((check, row["subject"]))
        if new is None and unpaired[check] == len(alone.get(check, ())) == 1:
            new = alone.pop(check)[0]
        yield row, new or {}
    for rows in alone.values():
        yield from (({}, row) for row in rows)


@dataclass(frozen=True, eq=False)
class _Pair:
    """One cube of both runs: where the bands they share lie in each."""

    name: str
    paths: tuple[Path, Path]
    wavelength_nm: NDArray[np.float64]
    first: tuple[int, int]
    scale: float


def _reflectance(run_a: Path, run_b: Path) -> dict[str, Any]:
    found_a = {cube_name(p): p for p in cube_paths(run_a)}
    found_b = {cube_name(p): p for p in cube_paths(run_b)}
    pairs: list[_Pair] = []
    left_out: dict[str, str] = {}
    for name in [*found_a, *(n for n in found_b if n not in found_a)]:
        if name not in found_a or name not in found_b:
            left_out[name] = f"only in run {'a' if name in found_a else 'b'}"
            continue
        pair = _pair(name, found_a[name], found_b[name])
        if isinstance(pair, str):
            left_out[name] = pair
        elif pairs and not np.array_equal(pair.wavelength_nm, pairs[0].wavelength_nm):
            left_out[name] = f"other bands than {pairs[0].name}"
        else:
            pairs.append(pair)
    return {
        "says": "reflectance of run b less that of run a, over the samples valid in both",
        "cubes": [pair.name for pair in pairs],
        "left_out": left_out,
        "bands": _band_rows(pairs),
    }


def _pair(name: str, a: Path, b: Path) -> _Pair | str:
    """The cube in both runs, or why it cannot be compared."""
    with open_cube(a) as one, open_cube(b) as other:
        try:
            old, new = one.variables["reflectance"], other.variables["reflectance"]
            if old.shape[1:] != new.shape[1:]:
                return f"{_size(old)} in a, {_size(new)} in b"
            scale, scale_b = (_decimal(v.attributes["scale_factor"]) for v in (old, new))
            centres, others = (c.variables["wavelength"].read() for c in (one, other))
        except UNREADABLE as error:
            raise InputError(f"cannot be compared: {error}", where=f"{a}, {b}") from error
    if scale != scale_b:
        return f"packed in steps of {scale:g} in a, {scale_b:g} in b"
    shared, in_a, in_b = np.intersect1d(centres, others, return_indices=True)
    if not shared.size:
        return "no band in common"
    if any((np.diff(places) != 1).any() for places in (in_a, in_b)):
        return "the bands in common do not adjoin"
    return _Pair(name, (a, b), shared, (int(in_a[0]), int(in_b[0])), scale)


def _decimal(step: Any) -> float:
    """The decimal number that a float32 step stands for, however the file holds it."""
    return float(str(np.float32(step)))


def _size(variable: StoredVariable) -> str:
    lines, samples = variable.shape[1:]
    return f"{lines} lines x {samples} samples"


def _band_rows(pairs: list[_Pair]) -> list[dict[str, object]]:
    if not pairs:
        return []
    bands = pairs[0].wavelength_nm.size
    step = max(-(-bands // 10), 1)
    rows: list[dict[str, object]] = []
    for start in range(0, bands, step):
        stop = min(start + step, bands)
        counts = np.zeros((stop - start, 2 * _REACH + 1), np.int64)
        in_one = np.zeros(stop - start, np.int64)
        for pair in pairs:
            for difference, valid, alone in _differences(pair, start, stop):
                in_one += alone.sum(axis=(1, 2))
                for band, (values, sound) in enumerate(zip(difference, valid, strict=True)):
                    found = np.bincount(values[sound] + _REACH)
                    counts[band, : found.size] += found
        for band, row in enumerate(counts):
            rows.append(
                {
                    "wavelength_nm": float(pairs[0].wavelength_nm[start + band]),
                    **statistics(row, pairs[0].scale),
                    "in_one": int(in_one[band]),
                }
            )
    return rows


def _differences(
    pair: _Pair, start: int, stop: int
) -> Iterator[tuple[NDArray[np.int32], NDArray[np.bool_], NDArray[np.bool_]]]:
    """b minus a in packed steps, where both are valid, and where one alone is.

    Each (band, line, sample), in blocks of lines.
    """
    with open_cube(pair.paths[0]) as one, open_cube(pair.paths[1]) as other:
        for line in range(0, one.variables["reflectance"].shape[1], LINES):
            parts = [
                _part(cube, slice(first + start, first + stop), slice(line, line + LINES))
                for cube, first in zip((one, other), pair.first, strict=True)
            ]
            (old, sound), (new, also_sound) = parts
            yield new.astype(np.int32) - old, sound & also_sound, sound ^ also_sound


def _part(cube: StoredCube, bands: slice, lines: slice) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    variable = cube.variables["reflectance"]
    try:
        packed = variable.read(bands, lines, slice(None))
    except UNREADABLE as error:
        raise InputError(
            f"bands {bands.start} to {bands.stop} cannot be read: {error}",
            where=cube.path,
            do="See `reflectory verify`",
        ) from error
    return packed, packed != variable.fill


def statistics(counts: NDArray[np.int64], step: float) -> dict[str, object]:
    """Number, how many are not zero, mean and percentiles of differences from their counts.

    Parameters
    ----------
    counts : (difference,) how often each difference of packed values occurred, -65535 first
    step : reflectance of one packed step
    """
    total = int(counts.sum())
    if not total:
        return {"samples": 0, "differing": 0, "mean": None, **dict.fromkeys(_QUANTILES)}
    there = np.flatnonzero(counts)
    values, up_to = there - _REACH, np.cumsum(counts[there])

    def at(rank: float) -> float:
        """Linear between the order statistics around a rank counted from 0."""
        low, part = int(rank), rank - int(rank)
        below, above = (
            int(values[np.searchsorted(up_to, min(k, total - 1), side="right")])
            for k in (low, low + 1)
        )
        return below + part * (above - below)

    mean = float((values * counts[there]).sum()) / total
    spread = {name: step * at(q * (total - 1)) for name, q in _QUANTILES.items()}
    differing = total - int(counts[_REACH])
    return {"samples": total, "differing": differing, "mean": step * mean, **spread}
