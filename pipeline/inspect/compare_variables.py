"""What of two cube files' variables is not the same: shape, type, packing, attributes, values."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import InputError
from pipeline.inspect.finished_run import UNREADABLE, StoredVariable, open_cube


def variables_apart(a: Path, b: Path) -> dict[str, list[str]]:
    """By variable what differs between two cube files; empty where all is the same.

    Values are compared as they are packed, NaN with NaN; numbers among attributes in single
    precision, which is what one container keeps of them.

    Raises
    ------
    InputError
        A file cannot be opened or read.
    """
    found: dict[str, list[str]] = {}
    with open_cube(a) as one, open_cube(b) as other:
        for name in sorted(one.variables.keys() | other.variables.keys()):
            old, new = one.variables.get(name), other.variables.get(name)
            if old is None or new is None:
                found[name] = [f"only in {'a' if new is None else 'b'}"]
                continue
            try:
                apart = _apart(old, new)
            except UNREADABLE as error:
                raise InputError(f"{name} cannot be read: {error}", where=f"{a}, {b}") from error
            if apart:
                found[name] = apart
    return found


def _apart(old: StoredVariable, new: StoredVariable) -> list[str]:
    of_form = {
        "dimensions": (old.dimensions, new.dimensions),
        "shape": (old.shape, new.shape),
        "type": (old.dtype.name, new.dtype.name),
        "fill value": (_plain(old.fill), _plain(new.fill)),
    }
    # A container may keep the fill value of a variable that has no missing value to itself.
    unlike = [what for what, (x, y) in of_form.items() if x != y and None not in (x, y)]
    keys = sorted(old.attributes.keys() | new.attributes.keys())
    unlike += [
        f"attribute {key}"
        for key in keys
        if _plain(old.attributes.get(key)) != _plain(new.attributes.get(key))
    ]
    if old.shape == new.shape and not _values_alike(old, new):
        unlike.append("values")
    return unlike


def _values_alike(old: StoredVariable, new: StoredVariable) -> bool:
    blocks = old.blocks() if old.chunk else iter([()])
    return all(_alike(old.read(*block), new.read(*block)) for block in blocks)


def _alike(x: Any, y: Any) -> bool:
    return bool(np.array_equal(x, y, equal_nan=x.dtype.kind == "f" and y.dtype.kind == "f"))


def _plain(value: object) -> object:
    """An attribute as any container holds it: text, or a list of numbers in single precision."""
    if value is None or isinstance(value, str):
        return value
    numbers = np.atleast_1d(np.asarray(value))
    if numbers.dtype.kind not in "iufb":
        return [str(one) for one in numbers.ravel()]
    return [str(np.float32(one)) for one in numbers.ravel()]
