"""Data flows read -> radiometry -> write, with run above them; nothing imports what is above."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest

import pipeline

ROOT = Path(pipeline.__file__).parent

#: What a room may import of the package, by prefix. Each room's row names
#: rooms in rows below its own alone, so that there is no circle between rooms either.
#: The bare package, which leads to all of it, is nobody's.
BASE = ("errors", "files", "flags", "foreign", "records", "version")
MAY_IMPORT: dict[str, tuple[str, ...]] = {
    "__main__": ("cli",),
    "cli": (
        *BASE,
        "campaign",
        "inspect",
        "draft",
        "flight",
        "write",
        "config",
        "progress",
        "radiometry",
    ),
    "campaign": (*BASE, "flight", "read", "write", "radiometry", "config", "progress"),
    "inspect": (
        *(*BASE, "read", "write", "radiometry", "progress"),
        *("calibrate.digest_memory", "flight.finished_runs"),
    ),
    "draft": (*BASE, "assess", "calibrate", "read", "write", "radiometry", "config", "progress"),
    "flight": (*BASE, "assess", "calibrate", "read", "write", "radiometry", "config", "progress"),
    "assess": (*BASE, "calibrate", "read", "write", "radiometry", "config"),
    "calibrate": (*BASE, "read", "write", "radiometry", "config", "progress"),
    "read": (*BASE, "config"),
    "write": (*BASE, "compiled", "radiometry"),
    "config": (*BASE, "radiometry.limits"),
    "synthetic": (*BASE, "compiled", "radiometry"),
    "radiometry": ("compiled", "errors", "flags", "records"),
    "progress": (*BASE,),
    "compiled": (),
    "records": ("errors", "flags"),
    "flags": ("errors",),
    "files": ("errors",),
    "version": (),
    "errors": ("foreign",),
    "foreign": (),
}
#: Not for arrays' arithmetic.
NOT_IN_RADIOMETRY = {"logging", "pathlib", "os", "io", "tomllib", "pydantic", "h5py", "netCDF4"}


def modules() -> dict[str, ast.Module]:
    """Every module of the package, by its name below `pipeline`; packages by their own name."""
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        if parts[0] in ("sample_data",):
            continue
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        found[name] = ast.parse(path.read_text(encoding="utf-8"))
    return found


MODULES = modules()


def imports(name: str, *, top: bool = False) -> Iterator[str]:
    """Full names of all that a module imports, in functions too unless `top`."""
    nodes = ast.iter_child_nodes(MODULES[name]) if top else ast.walk(MODULES[name])
    package = ROOT.joinpath(*name.split(".")).is_dir() or not name
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                here = f"pipeline.{name}".rstrip(".").split(".")
                here = here[: len(here) - node.level + package]
                base = ".".join([*here, *filter(None, [base])])
            for alias in node.names:
                inner = f"{base}.{alias.name}".removeprefix("pipeline.")
                yield f"{base}.{alias.name}" if inner in MODULES else base


def own(name: str) -> set[str]:
    """Modules of the package that a module imports, by their names below `pipeline`."""
    return {
        full.removeprefix("pipeline.") for full in imports(name) if full.startswith("pipeline.")
    }


def below(name: str, prefixes: tuple[str, ...]) -> bool:
    return any(name == prefix or name.startswith(prefix + ".") for prefix in prefixes)


def allowed(name: str) -> tuple[str, ...]:
    room = name.split(".")[0]
    assert room in MAY_IMPORT, f"pipeline.{name} has no place in the table of rooms"
    return (*MAY_IMPORT[room], room)


def test_each_room_may_import_rooms_of_rows_below_its_own_alone() -> None:
    rows = list(MAY_IMPORT)
    for number, room in enumerate(rows):
        for other in MAY_IMPORT[room]:
            assert rows.index(other.split(".")[0]) > number, f"{room} may not import {other}"


@pytest.mark.parametrize("name", [name for name in MODULES if name])
def test_imports_only_what_is_below(name: str) -> None:
    above = sorted(other for other in own(name) if not below(other, allowed(name)))
    assert not above, f"pipeline.{name} imports {', '.join(above)}"


@pytest.mark.parametrize("name", [name for name in MODULES if name])
def test_nothing_imports_the_package_itself(name: str) -> None:
    assert "pipeline" not in imports(name), f"pipeline.{name} imports what is above it"


def test_the_version_is_that_of_the_installed_distribution() -> None:
    stated = tomllib.loads((ROOT.parent / "pyproject.toml").read_text())["project"]["version"]
    assert pipeline.__version__ == metadata.version("reflectory") == stated


def test_the_table_would_see_an_import_from_above() -> None:
    # The check itself: these are real imports, seen by the other direction's rule.
    assert not below("flight.run", allowed("write.netcdf"))
    assert not below("config.flight", allowed("radiometry.kernel"))
    assert below("config.flight", allowed("read.inventory"))
    assert "flight.run" in own("cli.commands"), "imports inside functions are not seen"


def test_nothing_imports_the_simulator() -> None:
    users = {n for n in MODULES if not below(n, ("synthetic",)) and below_any(n, "synthetic")}
    assert not users


def below_any(name: str, prefix: str) -> bool:
    return any(below(other, (prefix,)) for other in own(name))


def test_nothing_above_read_knows_how_counts_lie_in_a_file() -> None:
    secrets = (".interleave", "offset_bytes", "byte_order", ".stored", "FlatBinary")
    rooms = [room for room in MAY_IMPORT if room not in ("read", "synthetic")]
    for path in sorted(ROOT.rglob("*.py")):
        if path.relative_to(ROOT).parts[0].removesuffix(".py") in rooms:
            told = [word for word in secrets if word in path.read_text(encoding="utf-8")]
            assert not told, f"{path} speaks of {', '.join(told)}"


def test_no_circles() -> None:
    graph = {name: {o for o in own(name) if o in MODULES and o != name} for name in MODULES if name}
    done: set[str] = set()

    def visit(name: str, path: tuple[str, ...]) -> None:
        assert name not in path, " -> ".join([*path[path.index(name) :], name])
        if name in done:
            return
        for other in sorted(graph[name]):
            visit(other, (*path, name))
        done.add(name)

    for name in graph:
        visit(name, ())


@pytest.mark.parametrize("name", [name for name in MODULES if below(name, ("radiometry",))])
def test_radiometry_touches_no_files(name: str) -> None:
    roots = {full.split(".")[0] for full in imports(name)}
    assert not roots & NOT_IN_RADIOMETRY


def test_the_package_is_imported_without_its_libraries() -> None:
    heavy = {"numpy", "scipy", "xarray", "numba", "h5py", "netCDF4", "zarr", "dask", "pandas",
             "rasterio", "pydantic"}  # fmt: skip
    code = (
        "import sys, json, contextlib, io, pipeline.cli.commands\n"
        "with contextlib.redirect_stdout(io.StringIO()):\n"
        "    try: pipeline.cli.commands.main(['--help'])\n"
        "    except SystemExit as end: assert end.code == 0\n"
        f"print(json.dumps(sorted({heavy!r} & set(sys.modules))))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert json.loads(done.stdout) == []


def test_public_names_are_a_closed_list() -> None:
    assert set(pipeline.__all__) == {
        "load_config",
        "map",
        "reflectance",
        "run",
        "uncertainty_budget",
    }
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        pipeline.nothing  # noqa: B018
    assert callable(pipeline.run)
    assert callable(pipeline.load_config)


#: Each takes more of the processor than a plain run has to give: pvlib brings pandas, and both
#: together took longer to load than four panels and two darks to measure.
NOT_IN_A_PLAIN_RUN = ("numba", "pvlib", "pandas", "xarray", "dask", "distributed", "zarr",
    "numcodecs", "rasterio", "scipy.ndimage", "scipy.optimize", "scipy.signal", "scipy.stats",
    "scipy.interpolate", "scipy.integrate", "scipy.special", "scipy.linalg")  # fmt: skip


@pytest.mark.parametrize("command", ["check", "run"])
def test_a_plain_run_loads_no_library_that_it_does_not_use(
    rich_flight: Any, tmp_path: Path, command: str
) -> None:
    # The first one may have kernels to compile, for which numba is loaded and what it takes.
    for name in ("first", "second"):
        config = str(rich_flight.copy(tmp_path / name).config)
        code = (
            "import sys, json, pipeline.cli.commands\n"
            f"pipeline.cli.commands.main([{command!r}, {config!r}, '--json'])\n"
            f"print(json.dumps(sorted({set(NOT_IN_A_PLAIN_RUN)!r} & set(sys.modules))))"
        )
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        )
    *_, loaded = done.stdout.splitlines()
    assert '"verdict": ' in done.stdout, done.stderr
    assert json.loads(loaded) == []
