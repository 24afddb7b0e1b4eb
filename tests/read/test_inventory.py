"""A flight's folder: what is found, refused and missing."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.config.flight import Config, config_from_table
from pipeline.errors import ConfigError, InputError
from pipeline.read.inventory import take_inventory

Writer = Callable[..., Path]
Make = Callable[..., Config]


@pytest.fixture
def raw(tmp_path: Path, cube_writer: Writer) -> Path:
    """Three strips, two darks and a flat."""
    folder = tmp_path / "raw"
    folder.mkdir()
    for stem in ("strip-1", "strip-2", "strip-10", "cap-0", "cap-1", "flat-0"):
        cube_writer(folder, stem)
    return folder


@pytest.fixture
def config(tmp_path: Path, raw: Path) -> Make:
    (tmp_path / "p.csv").write_text("")

    def make(**flight: Any) -> Config:
        table = {
            "flight": {
                "name": "f",
                "folder": "raw",
                "cubes": ["strip-*.hdr"],
                "darks": ["cap-*.hdr"],
                **flight,
            },
            "panel": [{"name": "p", "certificate": "p.csv", "where": "search"}],
        }
        return config_from_table(table, path=tmp_path / "flight.toml", text="")

    return make


def names(captures: Any) -> list[str]:
    return [capture.name for capture in captures]


def test_a_flight_is_found_in_order(config: Make) -> None:
    found = take_inventory(config(flat="flat-0.hdr"))
    assert names(found.cubes) == ["strip-1", "strip-2", "strip-10"]
    assert names(found.darks) == ["cap-0", "cap-1"]
    assert found.flat is not None
    assert found.flat.name == "flat-0"
    assert found.refused == {}
    assert found.manifest_problems is None
    assert found.line_times_path(found.cubes[0]) is None


def test_patterns_give_the_order_and_repeats_count_once(config: Make) -> None:
    found = take_inventory(config(cubes=["strip-10.hdr", "strip-*.hdr"]))
    assert names(found.cubes) == ["strip-10", "strip-1", "strip-2"]


def test_darks_and_flat_are_no_cubes(config: Make, raw: Path) -> None:
    (raw / "._strip-1.hdr").write_text("another system's note")
    found = take_inventory(config(cubes="*.hdr", flat="flat-0.hdr"))
    assert names(found.cubes) == ["strip-1", "strip-2", "strip-10"]


def test_data_files_are_not_taken_for_headers(config: Make) -> None:
    assert names(take_inventory(config(cubes="strip-*")).cubes) == [
        "strip-1",
        "strip-2",
        "strip-10",
    ]


@pytest.mark.parametrize(
    ("flight", "key", "message"),
    [
        ({"cubes": "none-*.hdr"}, "flight.cubes", "'none-.*' matches no file"),
        ({"cubes": ["strip-*.hdr", "x.hdr"]}, "flight.cubes", "'x.hdr' matches no file"),
        ({"darks": "dark-*.hdr"}, "flight.darks", "'dark-.*' matches no file"),
        ({"cubes": "../raw/*.hdr"}, "flight.cubes", "leaves flight.folder"),
        ({"darks": "/tmp/*.hdr"}, "flight.darks", "leaves flight.folder"),
        ({"cubes": ""}, "flight.cubes", "leaves flight.folder"),
        ({"cubes": "a**b/*.hdr"}, "flight.cubes", "cannot be used"),
        ({"cubes": "cap-*.hdr"}, "flight.cubes", "nothing that is not a dark"),
        ({"flat": "flat-9.hdr"}, "flight.flat", "no such file"),
        ({"line_times": "times.csv"}, "flight.line_times", "does not name {stem}"),
        ({"line_times": "../{stem}.csv"}, "flight.line_times", "leaves its folder"),
    ],
)
def test_refused_configs(config: Make, flight: dict[str, Any], key: str, message: str) -> None:
    with pytest.raises(ConfigError, match=message) as caught:
        take_inventory(config(**flight))
    assert key in str(caught.value)


def test_a_bad_cube_is_set_apart(config: Make, raw: Path) -> None:
    os.truncate(raw / "strip-1.raw", 7)
    (raw / "strip-10.hdr").write_bytes(b"\x00")
    found = take_inventory(config())
    assert names(found.cubes) == ["strip-2"]
    assert "too short: 7 bytes on disk" in str(found.refused["strip-1"])
    assert "zero bytes" in str(found.refused["strip-10"])


@pytest.mark.parametrize(
    ("name", "why"),
    [("strip-\\", "holds a backslash"), (os.fsdecode(b"strip-\xff"), "is not UTF-8 text")],
    ids=["backslash", "bytes"],
)
def test_a_name_that_results_cannot_have_is_set_apart(
    config: Make, raw: Path, name: str, why: str
) -> None:
    for suffix in (".hdr", ".raw"):
        (raw / f"strip-1{suffix}").rename(raw / f"{name}{suffix}")
    found = take_inventory(config())
    [(shown, error)] = found.refused.items()
    assert shown.encode()
    assert why in error.what
    assert names(found.cubes) == ["strip-2", "strip-10"]


def test_no_good_cube(config: Make, raw: Path) -> None:
    for stem in ("strip-1", "strip-2", "strip-10"):
        (raw / f"{stem}.raw").unlink()
    with pytest.raises(InputError, match=r"strip-1\.hdr: no cube can be used: no data file"):
        take_inventory(config())


@pytest.mark.parametrize("stem", ["cap-1", "flat-0"])
def test_a_bad_dark_or_flat_stops(config: Make, raw: Path, stem: str) -> None:
    os.truncate(raw / f"{stem}.raw", 7)
    with pytest.raises(InputError, match=rf"{stem}\.raw: too short"):
        take_inventory(config(flat="flat-0.hdr"))


def test_a_config_that_fits_no_header_stops(config: Make) -> None:
    made = config()
    made = made.model_copy(
        update={"sensor": made.sensor.model_copy(update={"wavelength_nm": (1.0, 2.0)})}
    )
    with pytest.raises(ConfigError, match=r"sensor\.wavelength_nm"):
        take_inventory(made)


def test_two_cubes_of_one_stem(config: Make, raw: Path, cube_writer: Writer) -> None:
    (raw / "again").mkdir()
    cube_writer(raw / "again", "strip-1")
    with pytest.raises(InputError, match="has the same stem as"):
        take_inventory(config(cubes="**/strip-*.hdr"))


def test_line_times_beside_the_config_or_in_the_folder(
    config: Make, raw: Path, tmp_path: Path
) -> None:
    (tmp_path / "strip-1.times.csv").touch()
    (raw / "strip-2.times.csv").touch()
    found = take_inventory(config(line_times="{stem}.times.csv"))
    assert names(found.cubes) == ["strip-1", "strip-2"]
    assert found.line_times_path(found.cubes[0]) == tmp_path / "strip-1.times.csv"
    assert found.line_times_path(found.cubes[1]) == raw / "strip-2.times.csv"
    assert "strip-10.times.csv: no such table" in str(found.refused["strip-10"])


def test_the_manifest(config: Make, raw: Path) -> None:
    good = hashlib.sha256((raw / "strip-1.raw").read_bytes()).hexdigest()
    (raw / "manifest.sha256").write_text(
        f"{good}  strip-1.raw\n{'0' * 64}  strip-2.raw\n{good}  strip-3.raw\n{good}  {'x' * 300}\n"
    )
    quick = take_inventory(config()).manifest_problems
    assert quick is not None
    assert quick[0] == "strip-3.raw: missing"
    assert "cannot be read" in quick[1]
    full = take_inventory(config(), digests=True).manifest_problems
    assert full is not None
    assert full[:2] == ("strip-2.raw: another digest", "strip-3.raw: missing")


def test_an_unreadable_folder(config: Make, raw: Path) -> None:
    made = config()
    raw.rename(raw.with_name("gone"))
    with pytest.raises(InputError, match="raw: cannot be read: No such file"):
        take_inventory(made)
