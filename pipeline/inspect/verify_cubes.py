"""Whether a run's cube file is as the writers make it, and whether all of it can be read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path

import numpy as np

from pipeline.errors import InputError
from pipeline.foreign import one_line
from pipeline.inspect.finding import Finding
from pipeline.inspect.finished_run import (
    UNREADABLE,
    StoredCube,
    StoredVariable,
    cube_name,
    open_cube,
)
from pipeline.write.product import CubeProduct
from pipeline.write.run_record import RunRecord
from pipeline.write.schema import DIMENSIONS, SCHEMA

#: Attributes that decide what the numbers mean; comments may change with the software.
_MEANING = frozenset(
    {
        "standard_name",
        "units",
        "calendar",
        "scale_factor",
        "add_offset",
        "ancillary_variables",
        "coordinates",
    }
)


def check_cube(path: Path, run_id: str, record: RunRecord | None) -> Iterator[Finding]:
    """A cube file against the format, the run it belongs to, and its own checksums."""
    file = one_line(path.name)
    try:
        with open_cube(path) as cube:
            wrong = [*_attributes(cube, run_id, record), *_variables(cube)]
            damaged = list(undecodable(cube))
            chunks = sum(sum(1 for _ in v.blocks()) for v in cube.variables.values())
    except InputError as error:
        yield Finding(file, one_line(error.what), False)
        return
    except UNREADABLE as error:
        yield Finding(file, f"cannot be read: {one_line(error)}", False)
        return
    for what in (*wrong, *damaged):
        yield Finding(file, one_line(what), False)
    if not wrong:
        yield Finding(file, f"{len(cube.variables)} variables as the format has them", True)
    if not damaged:
        yield Finding(file, f"{chunks} chunks decode", True)


def _attributes(cube: StoredCube, run_id: str, record: RunRecord | None) -> Iterator[str]:
    expected = {"run_id": run_id, "cube": cube_name(cube.path)}
    if record is not None:
        expected |= {"run_id": str(record.run_id), "config_sha256": record.config_sha256}
    for name, value in expected.items():
        if cube.attributes.get(name) != value:
            yield f"attribute {name} is {cube.attributes.get(name)!r}, expected {value!r}"


def _variables(cube: StoredCube) -> Iterator[str]:
    """What is not as the writers make it: names, dimensions, types, fill values, attributes."""
    there = cube.variables
    for name, row in SCHEMA.items():
        if name not in there and not row.optional:
            yield f"variable {name} is missing"
    if "reflectance" not in there:
        return
    sizes = dict(zip(DIMENSIONS, there["reflectance"].shape, strict=False))
    described = _described(cube)
    for name, variable in there.items():
        if name not in SCHEMA:
            yield f"variable {name} is unknown"
            continue
        yield from _one_variable(variable, sizes, described.attributes_of(name))


def _described(cube: StoredCube) -> CubeProduct:
    """The product that the file says it is, for the attributes that depend on it."""
    bands, lines, samples = (*cube.variables["reflectance"].shape, 0, 0, 0)[:3]
    return CubeProduct(
        name=cube.path.stem,
        bands=bands,
        lines=lines,
        samples=samples,
        chunk=(1, 1, 1),
        uncertainty="reflectance_uncertainty" in cube.variables,
        values=dict.fromkeys(cube.variables, np.zeros(0)),
        attributes=dict(cube.attributes),
    )


def _one_variable(
    variable: StoredVariable, sizes: Mapping[str, int], expected: Mapping[str, object]
) -> Iterator[str]:
    name, row = variable.name, SCHEMA[variable.name]
    if variable.dimensions not in (row.dimensions, *row.otherwise):
        yield f"{name} has dimensions {variable.dimensions}, expected {row.dimensions}"
    elif variable.shape != tuple(sizes[d] for d in variable.dimensions):
        yield f"{name} has shape {variable.shape}, unlike reflectance {tuple(sizes.values())}"
    if variable.dtype != row.dtype:
        yield f"{name} has type {variable.dtype}, expected {row.dtype}"
    if row.mask is not None:
        yield from _one_mask(variable, expected)
    if row.packing is not None and not _alike(variable.fill, row.fill):
        yield f"{name} has the fill value {variable.fill}, expected {row.fill}"
    for key, value in expected.items():
        if key in _MEANING and not _alike(variable.attributes.get(key), value):
            yield f"{name}:{key} is {variable.attributes.get(key)!r}, expected {value!r}"


def _one_mask(variable: StoredVariable, expected: Mapping[str, object]) -> Iterator[str]:
    """A mask's bits; bits are only ever added, so that an earlier version's file has fewer."""
    name = variable.name
    if variable.fill is not None:
        yield f"{name} has the fill value {variable.fill}, a mask has none"
    found, known = (
        list(
            zip(
                np.atleast_1d(np.asarray(attributes.get("flag_masks", ()))).tolist(),
                str(attributes.get("flag_meanings", "")).split(),
                strict=False,
            )
        )
        for attributes in (variable.attributes, expected)
    )
    if not found or found != known[: len(found)]:
        yield f"{name} has the flags {found}, expected {known}"


def _alike(found: object, expected: object) -> bool:
    if isinstance(expected, str) or found is None:
        return found == expected
    with suppress(TypeError, ValueError):
        a, b = np.asarray(found), np.asarray(expected)
        # Zarr keeps numbers as JSON, so that a float32 comes back as the float64 it equals.
        return a.shape == b.shape and bool((a.astype(b.dtype) == b).all())
    return False


def undecodable(cube: StoredCube) -> Iterator[str]:
    """What part of a cube cannot be read, all of it read once."""
    for variable in cube.variables.values():
        for place in variable.blocks():
            try:
                variable.read(*place)
            except UNREADABLE as error:
                where = ", ".join(
                    f"{d} {s.start} to {s.stop}"
                    for d, s in zip(variable.dimensions, place, strict=True)
                )
                yield f"{variable.name} cannot be decoded at {where or 'its value'}: {error}"
