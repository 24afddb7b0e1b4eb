"""Whether a finished run is still what it was when it was published, and so are its inputs."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np

from pipeline.errors import InputError, one_line
from pipeline.inspect.compare import prov_inputs, read_run
from pipeline.inspect.finished_run import (
    UNREADABLE,
    StoredCube,
    StoredVariable,
    cube_name,
    cube_paths,
    open_cube,
)
from pipeline.version import PREFIX
from pipeline.write.checksums import CHECKSUMS, parse_line, read_lines, sha256_of
from pipeline.write.product import CubeProduct
from pipeline.write.publish import files_below
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


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at."""

    file: str  # below the run's folder; an input's by its name in the provenance
    what: str
    ok: bool


def exit_code(findings: list[Finding]) -> int:
    """0 where all is as it was, 1 where something differs."""
    return 0 if all(finding.ok for finding in findings) else 1


def verify(run: Path, *, inputs: bool = True, flight: Path | None = None) -> list[Finding]:
    """Check a run against its checksums, its own records, and the inputs it was made from.

    Parameters
    ----------
    run : folder of a finished run
    inputs : read every input again for its digest; else only its presence and size are checked
    flight : folder that the inputs' names are relative to (the config's); by default the one that
        the run's place and its config imply

    Raises
    ------
    InputError
        The folder is no finished run at all.
    """
    run = Path(run).absolute()
    if not (run / "run.json").exists() and not (run / CHECKSUMS).exists():
        raise InputError("not a finished run", where=run, do="Name the folder that holds run.json")
    try:
        document = read_run(run)
    except InputError as error:
        document = {}
        damaged = [Finding("run.json", error.what, False)]
    else:
        damaged = []
    found = [*damaged, *_checksums(run, document)]
    found += _config(run, document)
    found += _identity(run, document)
    for path in cube_paths(run):
        found += _cube(run, path, document)
    found += _missing_cubes(run, document)
    if document:
        found += _inputs(run, document, inputs, flight)
    return found


def _checksums(run: Path, document: Mapping[str, Any]) -> Iterator[Finding]:
    """Each file against its line, and against the digest that the provenance holds."""
    witness = _output_digests(document)
    listed: dict[str, str] = {}
    try:
        lines = read_lines(run / CHECKSUMS)
    except OSError as error:
        yield Finding(CHECKSUMS, f"cannot be read: {one_line(error)}", False)
        lines = []
    for number, line in enumerate(lines, start=1):
        row = parse_line(line)
        if row is None:
            yield Finding(CHECKSUMS, f"line {number} is not a digest, two blanks and a name", False)
        else:
            listed[row[0]] = row[1]
    there = {p.relative_to(run).as_posix(): p for p in files_below(run)}
    for name, expected in listed.items():
        shown = one_line(name)
        if name not in there:
            yield Finding(shown, f"missing, but listed in {CHECKSUMS}", False)
            continue
        try:
            actual = sha256_of(there[name])
        except OSError as error:
            yield Finding(shown, f"cannot be read: {error.strerror}", False)
            continue
        if actual == expected:
            yield Finding(shown, "its checksum is as listed", True)
        elif witness.get(name) == actual:
            yield Finding(CHECKSUMS, f"its line for {shown} was changed; the file was not", False)
        else:
            yield Finding(shown, f"changed: its checksum differs from {CHECKSUMS}", False)
    for name in sorted(there.keys() - listed.keys()):
        yield Finding(one_line(name), f"extra: not listed in {CHECKSUMS}", False)


def _output_digests(document: Mapping[str, Any]) -> dict[str, str]:
    start = f"{PREFIX}:output/{document.get('run_id')}/"
    entities = document.get("entity")
    return {
        name.removeprefix(start): str(entity.get(f"{PREFIX}:sha256"))
        for name, entity in (entities if isinstance(entities, dict) else {}).items()
        if name.startswith(start) and isinstance(entity, dict)
    }


def _config(run: Path, document: Mapping[str, Any]) -> Iterator[Finding]:
    try:
        actual = hashlib.sha256((run / "config.toml").read_bytes()).hexdigest()
    except OSError as error:
        yield Finding("config.toml", f"cannot be read: {error.strerror}", False)
        return
    if document:
        same = actual == document.get("config_sha256")
        yield Finding(
            "config.toml",
            f"its digest {'equals' if same else 'differs from'} config_sha256 in run.json",
            same,
        )


def _identity(run: Path, document: Mapping[str, Any]) -> Iterator[Finding]:
    if document:
        same = document.get("run_id") == run.name
        what = f"run_id {document.get('run_id')!r}; the folder is named {run.name!r}"
        yield Finding("run.json", "run_id is the folder's name" if same else one_line(what), same)


def _missing_cubes(run: Path, document: Mapping[str, Any]) -> Iterator[Finding]:
    rows = document.get("cubes")
    for row in rows if isinstance(rows, list) else ():
        name = row.get("file") if isinstance(row, dict) else None
        if isinstance(name, str) and not (run / name).exists():
            yield Finding(one_line(name), "missing, but run.json says it was written", False)


def _cube(run: Path, path: Path, document: Mapping[str, Any]) -> Iterator[Finding]:
    file = one_line(path.name)
    try:
        with open_cube(path) as cube:
            wrong = [*_attributes(cube, run, document), *_variables(cube)]
            damaged = list(_undecodable(cube))
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


def _attributes(cube: StoredCube, run: Path, document: Mapping[str, Any]) -> Iterator[str]:
    expected = {
        "run_id": document.get("run_id", run.name),
        "cube": cube_name(cube.path),
        "config_sha256": document.get("config_sha256"),
    }
    for name, value in expected.items():
        if value is not None and cube.attributes.get(name) != value:
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


def _undecodable(cube: StoredCube) -> Iterator[str]:
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


def _inputs(
    run: Path, document: Mapping[str, Any], digests: bool, flight: Path | None
) -> Iterator[Finding]:
    """Every input of the provenance, where the run took it from."""
    config = document.get("config")
    spelled = {name: list(_spellings(name, config)) for name in prov_inputs(document)}
    roots = _roots(run, document, flight)
    # One place for all: a file of another copy of the flight must not stand in for one gone.
    root = next(
        (r for r in roots if any(_is_file(r / n) for names in spelled.values() for n in names)),
        roots[0],
    )
    for name, entity in prov_inputs(document).items():
        shown = one_line(name)
        path = next((root / n for n in spelled[name] if _is_file(root / n)), None)
        if path is None:
            yield Finding(shown, f"input gone: not below {one_line(root)}", False)
            continue
        size, bytes_then = path.stat().st_size, entity.get(f"{PREFIX}:bytes")
        if size != bytes_then:
            yield Finding(shown, f"input changed: {size} bytes, {bytes_then} when it ran", False)
            continue
        try:
            same = not digests or sha256_of(path) == entity.get(f"{PREFIX}:sha256")
        except OSError as error:
            yield Finding(shown, f"input cannot be read: {error.strerror}", False)
            continue
        what = "unchanged" if digests else "there, with its size"
        yield Finding(shown, f"input {what if same else 'changed: another SHA-256'}", same)


def _is_file(path: Path) -> bool:
    with suppress(OSError, ValueError):
        return path.is_file()
    return False


def _spellings(name: str, config: object) -> Iterator[str]:
    """Where an input may lie: below the config, below the flight's folder, or as the config
    spells a file outside both, which provenance knows by its last name."""
    yield name
    config = config if isinstance(config, dict) else {}
    flight, panels = config.get("flight", {}), config.get("panel", [])
    yield f"{flight.get('folder', '.')}/{name}"
    values = [panel.get("certificate") for panel in panels]
    values += [flight.get(key) for key in ("track", "regions", "irradiance", "manifest")]
    yield from (v for v in values if isinstance(v, str) and PurePosixPath(v).name == name)


def _roots(run: Path, document: Mapping[str, Any], flight: Path | None) -> list[Path]:
    """Folders that inputs' names may be relative to, the likeliest first.

    The one given; the one from which `output.folder` leads here;
    what the digests kept beside the runs remember.
    """
    if flight is not None:
        return [Path(flight).absolute()]
    roots: list[Path] = []
    with suppress(OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
        table = tomllib.loads((run / "config.toml").read_text("utf-8"))
        output = table.get("output", {})
        folder = output.get("folder", "results") if isinstance(output, dict) else "results"
        place, steps = run.parent.parent, PurePosixPath(str(folder)).parts
        if ".." not in steps and place.parts[-len(steps) :] == steps:
            roots.append(Path(*place.parts[: -len(steps)]))
    with suppress(OSError, ValueError, AttributeError):
        kept = json.loads((run.parent / ".kept" / "digests.json").read_bytes())
        known = {str(v[3]): p for p, v in kept.items() if isinstance(v, list) and len(v) == 4}
        for name, entity in prov_inputs(document).items():
            path = known.get(str(entity.get(f"{PREFIX}:sha256")))
            if path is not None and path.endswith(f"/{name}"):
                roots.append(Path(path.removesuffix(f"/{name}")))
    return list(dict.fromkeys(roots)) or [run.parent.parent.parent]
