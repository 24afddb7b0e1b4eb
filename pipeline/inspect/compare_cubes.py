"""Two runs' cubes: reflectance band by band, and which variables are not the same."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError, one_line
from pipeline.inspect.compare_variables import variables_apart
from pipeline.inspect.finished_run import (
    UNREADABLE,
    StoredCube,
    StoredVariable,
    cube_name,
    cube_paths,
    open_cube,
)
from pipeline.write.schema import SCHEMA

#: Lines read at a time; with a tenth of the bands this bounds the memory to some tens of MB.
LINES = 512
#: Differences of two packed values lie within this.
_REACH = 2 ** (8 * SCHEMA["reflectance"].dtype.itemsize) - 1
_QUANTILES = {"p5": 0.05, "p95": 0.95}


@dataclass(frozen=True, eq=False)
class _Pair:
    """One cube of both runs: where the bands they share lie in each."""

    name: str
    paths: tuple[Path, Path]
    wavelength_nm: NDArray[np.float64]
    first: tuple[int, int]
    scale: float


def compare_cubes(run_a: Path, run_b: Path) -> dict[str, Any]:
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
        "variables": {
            pair.name: apart for pair in pairs if (apart := variables_apart(*pair.paths))
        },
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
            lost = f"{error} is missing" if isinstance(error, KeyError) else one_line(error)
            raise InputError(f"cannot be compared: {lost}", where=f"{a}, {b}") from error
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
