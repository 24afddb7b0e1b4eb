"""No file can be read and not be an input: every file that a run opens is watched."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.calibrate.input_manifest import take_inputs
from pipeline.config.flight import load_config
from pipeline.config.named_files import FLIGHT_FILES, named_values

#: Runs a flight, and prints every path that Python opened on the way.
WATCHED = """
import json, os, sys
opened = set()
def watch(event, arguments):
    if event == "open" and isinstance(arguments[0], (str, bytes, os.PathLike)):
        opened.add(os.path.abspath(os.fsdecode(arguments[0])))
sys.addaudithook(watch)
from pipeline.flight.run import run
result = run(sys.argv[1], output=sys.argv[2])
print(json.dumps([sorted(opened), result.document["outcome"]]))
"""


def opened_by_a_run(flight: Any, results: Path) -> tuple[set[Path], str]:
    """Files in the flight's folder that a run opens, and the run's outcome."""
    done = subprocess.run(
        [sys.executable, "-c", WATCHED, flight.config, results],
        capture_output=True,
        text=True,
        check=True,
    )
    opened, outcome = json.loads(done.stdout)
    return {p for p in map(Path, opened) if p.is_relative_to(flight.folder)}, outcome


def full(flight: Any) -> Any:
    """A flight with every kind of file: line times of a dark, and a cube that is refused too."""
    raw = flight.folder / "raw"
    (flight.folder / "linearity.csv").write_text("counts,linear_counts\n0,0\n5000,5000\n")
    flight.edit("[sensor]", '[sensor]\nlinearity = "linearity.csv"')
    dark = (raw / "cap-before.hdr").read_text()
    lines = next(int(row.split("=")[1]) for row in dark.splitlines() if row.startswith("lines"))
    rows = [f"{i},2026-06-18T11:19:{i / 1000 + 10:06.3f}Z" for i in range(lines)]
    (raw / "cap-before.times.csv").write_text("\n".join(["line,time_utc", *rows]) + "\n")
    for suffix in (".raw", ".times.csv", ".hdr"):
        content = (raw / f"strip-01{suffix}").read_bytes()
        content = content.replace(b"exposure time = ", b"exposure time = 1")
        (raw / f"strip-02{suffix}").write_bytes(content)
    return flight


@pytest.mark.parametrize("where", ["window", "region", "search"])
def test_every_file_that_a_run_opens_is_an_input(
    tmp_path: Path, make_flight_in: Callable[..., Any], where: str
) -> None:
    flight = full(
        make_flight_in(
            tmp_path / "flight", where=where, lines=160, samples=96, bands=24, flat=True,
            flat_lines=50, dark_frames=40, illumination="irradiance log",
        )
    )  # fmt: skip
    opened, outcome = opened_by_a_run(flight, tmp_path / "results")
    inputs = {file.path for file in take_inputs(load_config(flight.config))}
    assert outcome == "partial"
    assert opened == inputs | {flight.config}
    names = {path.name for path in opened}
    assert names >= {"cap-before.times.csv", "strip-02.hdr", "flat-0.raw", "manifest.sha256"}
    assert names >= {"linearity.csv", "areas.kml", "track.csv", "irradiance.csv", "grey-50.csv"}
    assert "strip-02.times.csv" not in names


def test_the_watch_would_see_a_file_that_is_no_input(plain_copy: Any, tmp_path: Path) -> None:
    code = WATCHED.replace(
        "result = ", "open(sys.argv[1][:-11] + 'raw/notes.txt').close()\nresult = "
    )
    (plain_copy.folder / "raw" / "notes.txt").write_text("")
    done = subprocess.run(
        [sys.executable, "-c", code, plain_copy.config, tmp_path / "results"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert str(plain_copy.folder / "raw" / "notes.txt") in json.loads(done.stdout)[0]


def test_every_key_that_names_a_file_is_listed() -> None:
    """A new key of the config whose value is a file must not be forgotten by those who ask."""
    from pydantic import BaseModel

    from pipeline.config.flight import Config

    def paths(model: type[BaseModel], above: str) -> set[str]:
        found = set()
        for name, field in model.model_fields.items():
            kinds = str(field.annotation)
            inner = [k for k in _models(field.annotation) if k is not model]
            for kind in inner:
                found |= paths(kind, f"{above}{name}.")
            if not inner and "Path" in kinds:
                found.add(f"{above}{name}")
        return found

    folders = {"flight.folder", "output.folder", "path"}
    named = {f"flight.{key}" for key in FLIGHT_FILES if key != "flat"} | {"panel.certificate"}
    named |= {"sensor.linearity"}
    assert paths(Config, "") - folders == named
    table = {
        "flight": dict.fromkeys(FLIGHT_FILES, "x"),
        "sensor": {"linearity": "z"},
        "panel": [{"certificate": "y"}, 3],
    }
    listed = set(dict(named_values(table)))
    assert {key.replace("[0]", "") for key in listed} == named | {"flight.flat"}
    assert list(named_values({})) == []
    assert list(named_values({"flight": 3, "sensor": 1, "panel": {}})) == []
    assert list(named_values({"flight": {"track": 3}, "sensor": {}, "panel": [{}]})) == []


def _models(annotation: Any) -> list[Any]:
    from typing import get_args

    from pydantic import BaseModel

    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in get_args(annotation) for model in _models(part)]
