"""Each bad input: one clear line on standard error, exit 2, nothing below the output folder."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.cli.commands import main
from pipeline.errors import ConfigError, InputError
from pipeline.flight.field_check import look
from pipeline.flight.run import run
from pipeline.synthetic import FlightPlan, make_flight


def header(flight: Any, stem: str, key: str, value: object) -> None:
    """Set a header's key, or take it out."""
    path = flight.folder / "raw" / f"{stem}.hdr"
    text, n = re.subn(rf"(?m)^{key} = .*\n", "" if value is None else f"{key} = {value}\n",
                      path.read_text())  # fmt: skip
    assert n == 1
    path.write_text(text)


def certificate(flight: Any, change: Callable[[list[list[str]]], list[list[str]]]) -> None:
    """Change the rows of a certificate."""
    path = flight.folder / "certificates" / "grey-24.csv"
    head, *rows = path.read_text().splitlines()
    changed = change([row.split(",") for row in rows])
    path.write_text("\n".join([head, *(",".join(row) for row in changed)]) + "\n")


def truncated(flight: Any) -> None:
    for stem in ("strip-00", "strip-01"):
        path = flight.folder / "raw" / f"{stem}.raw"
        path.write_bytes(path.read_bytes()[:-1000])


def huge_header(flight: Any) -> None:
    for stem in ("strip-00", "strip-01"):
        header(flight, stem, "samples", 10**12)


def no_dark(flight: Any) -> None:
    for path in (flight.folder / "raw").glob("cap-*"):
        path.unlink()


def dark_of_other_exposure(flight: Any) -> None:
    header(flight, "cap-after", "exposure time", "4.8000")


def dark_of_other_shape(flight: Any) -> None:
    for stem in ("cap-before", "cap-after"):
        header(flight, stem, "samples", 32)
        header(flight, stem, "lines", 2 * flight.plan.dark_frames)


def truncated_dark(flight: Any) -> None:
    path = flight.folder / "raw" / "cap-after.raw"
    path.write_bytes(path.read_bytes()[:-2])


def gap(flight: Any) -> None:
    certificate(flight, lambda rows: [r for r in rows if not 600 < float(r[0]) < 720])


def out_of_order(flight: Any) -> None:
    certificate(flight, lambda rows: [rows[1], rows[0], *rows[2:]])


def not_covering(flight: Any) -> None:
    certificate(flight, lambda rows: [[str(float(r[0]) + 2000), *r[1:]] for r in rows])


def percent(flight: Any) -> None:
    certificate(flight, lambda rows: [[r[0], str(100 * float(r[1])), r[2]] for r in rows])


def no_number(flight: Any) -> None:
    certificate(flight, lambda rows: [*rows[:4], [rows[4][0], "n/a", rows[4][2]], *rows[5:]])


def window_outside(flight: Any) -> None:
    flight.edit("samples = [32, 47]", "samples = [32, 470]")


def window_in_no_cube(flight: Any) -> None:
    flight.edit('cube = "strip-00"', 'cube = "strip-99"')


def saturated_panel(flight: Any) -> None:
    """One fit panel, white in every band."""
    text = flight.config.read_text()
    head, *panels = text.split("[[panel]]")
    last = panels[-1]
    flight.config.write_text(head + "[[panel]]" + last)
    path = flight.folder / "raw" / "strip-00.raw"
    counts = np.fromfile(path, "<u2")
    counts[:] = 4095
    counts.tofile(path)


def unknown_key(flight: Any) -> None:
    flight.edit("[flight]\n", "[flight]\ncolour = 3\n")


def wrong_type(flight: Any) -> None:
    flight.edit("full_scale_counts = 4095", 'full_scale_counts = "many"')


def no_toml(flight: Any) -> None:
    flight.config.write_text("[flight\nname = ")


def not_text(flight: Any) -> None:
    flight.config.write_bytes(b"\xff\xfe\x00\x01" * 100)


def folder_is_a_file(flight: Any) -> None:
    shutil.rmtree(flight.folder / "raw")
    (flight.folder / "raw").write_text("not a folder")


def no_cubes(flight: Any) -> None:
    flight.edit('"strip-*.hdr"', '"stripe-*.hdr"')


def pattern_climbs_out(flight: Any) -> None:
    flight.edit('"strip-*.hdr"', '"../../*/strip-*.hdr"')


def no_certificate(flight: Any) -> None:
    (flight.folder / "certificates" / "grey-50.csv").unlink()


def irradiance_of_zero(flight: Any) -> None:
    path = flight.folder / "irradiance.csv"
    head, *rows = path.read_text().splitlines()
    path.write_text("\n".join([head, *(r.split(",")[0] + ",0.0" for r in rows)]) + "\n")
    flight.edit('illumination = "constant"', 'illumination = "irradiance log"')


def bad_attribute_name(flight: Any) -> None:
    flight.config.write_text(
        flight.config.read_text() + '\n[output.attributes]\n"a/b" = "slashed"\n'
    )


def empty_attribute(flight: Any) -> None:
    flight.config.write_text(
        flight.config.read_text() + '\n[output.attributes]\ncreator_name = ""\n'
    )


#: What to break, and what the one line must name.
CASES: list[tuple[Callable[[Any], None], list[str]]] = [
    (truncated, ["strip-0", "byte"]),
    (huge_header, ["strip-0"]),
    (no_dark, ["flight.darks", "cap-*.hdr"]),
    (dark_of_other_exposure, ["cap-after", "exposure", "4.8", "2.4"]),
    (dark_of_other_shape, ["cap-", "30 x 32", "30 x 64"]),
    (truncated_dark, ["cap-after", "byte"]),
    (gap, ["grey-24.csv", "nm"]),
    (out_of_order, ["grey-24.csv", "line"]),
    (not_covering, ["grey-24.csv", "nm"]),
    (percent, ["grey-24.csv", "line"]),
    (no_number, ["grey-24.csv", "line 6", "n/a"]),
    (window_outside, ["flight.toml", "panel[", "where.samples", "470", "64 samples"]),
    (window_in_no_cube, ["panel[0].where", "strip-99"]),
    (saturated_panel, ["grey-50", "saturated"]),
    (unknown_key, ["flight.toml", "flight.colour", "unknown key"]),
    (wrong_type, ["sensor.full_scale_counts", "many"]),
    (no_toml, ["flight.toml", "not a TOML file"]),
    (not_text, ["flight.toml", "not a TOML file"]),
    (folder_is_a_file, ["flight.folder", "no such folder"]),
    (no_cubes, ["flight.cubes", "stripe-*.hdr"]),
    (pattern_climbs_out, ["flight.cubes", "leaves"]),
    (no_certificate, ["panel[3].certificate", "grey-50.csv"]),
    (irradiance_of_zero, ["irradiance.csv"]),
    (bad_attribute_name, ["output.attributes", "a/b"]),
    (empty_attribute, ["output.attributes.creator_name"]),
]


@pytest.mark.parametrize(("break_it", "names"), CASES, ids=[c[0].__name__ for c in CASES])
def test_one_line_exit_2_and_nothing_written(
    break_it: Callable[[Any], None],
    names: list[str],
    plain_copy: Any,
    capsys: pytest.CaptureFixture[str],
) -> None:
    break_it(plain_copy)
    code = main(["run", str(plain_copy.config), "--workers", "2"])
    out, err = capsys.readouterr()
    assert code == 2, err
    assert out == ""
    assert len(err.splitlines()) == 1, err
    assert err.startswith("reflectory: ")
    for name in names:
        assert name in err
    assert [p for p in (plain_copy.folder / "results").rglob("*") if p.is_file()] == []


@pytest.mark.parametrize(
    ("name", "says"), [("absent.toml", "no such file"), ("raw", "a folder; expected a regular")]
)
def test_a_config_that_is_not_there_or_is_a_folder(
    name: str, says: str, plain_copy: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", str(plain_copy.folder / name)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    assert name in err
    assert says in err


def test_an_output_folder_that_is_a_file(
    plain_copy: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    (plain_copy.folder / "file").write_text("in the way")
    code = main(["run", str(plain_copy.config), "--output", str(plain_copy.folder / "file")])
    _, err = capsys.readouterr()
    assert code == 2
    assert "--output: expected a folder, got a file" in err
    assert len(err.splitlines()) == 1
    assert (plain_copy.folder / "file").read_text() == "in the way"


def test_errors_come_before_the_work(plain_copy: Any, capsys: pytest.CaptureFixture[str]) -> None:
    # `check` says the same, with the same line.
    plain_copy.edit("samples = [32, 47]", "samples = [32, 470]")
    assert main(["check", str(plain_copy.config)]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


@pytest.mark.parametrize("how", ["truncated", "other exposure", "no line times"])
def test_one_bad_cube_among_good_ones_costs_that_cube_alone(
    how: str, plain_copy: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    raw: Path = plain_copy.folder / "raw"
    match how:
        case "truncated":
            (raw / "strip-01.raw").write_bytes((raw / "strip-01.raw").read_bytes()[:-2])
        case "other exposure":
            header(plain_copy, "strip-01", "exposure time", "9.0")
        case _:
            (raw / "strip-01.times.csv").unlink()
    code = main(["run", str(plain_copy.config), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert code == 1
    assert told["outcome"] == "partial"
    rows = {row["cube"]: row for row in told["cubes"]}
    assert rows["strip-00"]["outcome"] == "written"
    assert rows["strip-01"]["outcome"] == "refused"
    assert rows["strip-01"]["why"]
    assert "strip-01" in told["says"]
    run = plain_copy.folder / "results" / plain_copy.plan.name / told["run_id"]
    assert sorted(p.name for p in run.glob("*.nc")) == ["strip-00.nc"]


def test_mending_the_bad_cube_makes_another_run(plain_copy: Any) -> None:
    path = plain_copy.folder / "raw" / "strip-01.raw"
    whole = path.read_bytes()
    path.write_bytes(whole[:-2])
    assert main(["run", str(plain_copy.config)]) == 1
    path.write_bytes(whole)
    assert main(["run", str(plain_copy.config)]) == 0
    runs = list((plain_copy.folder / "results" / plain_copy.plan.name).glob("[0-9a-f]*"))
    assert len(runs) == 2


def test_a_refused_cube_is_named_with_its_own_fault(tmp_path: Path) -> None:
    make_flight(tmp_path, FlightPlan(cubes=2, lines=160, samples=96, bands=24, dark_frames=40))
    header = tmp_path / "raw" / "strip-01.hdr"
    header.write_text(header.read_text().replace("data type = 12", "data type = 6"))
    [row] = [
        c for c in look(tmp_path / "flight.toml").to_json()["checks"] if c["check"] == "files-whole"
    ]
    assert row["verdict"] == "fail"
    assert "strip-01 cannot be used" in row["says"]
    assert "data type" in row["says"]


def test_a_broken_regions_file_stops_check_and_run_alike(tmp_path: Path) -> None:
    make_flight(tmp_path, FlightPlan(cubes=1, lines=160, samples=96, bands=24, dark_frames=40))
    [regions] = tmp_path.glob("areas.*")
    regions.write_text("not a map")
    for command in (look, run):
        with pytest.raises(InputError, match="areas"):
            command(tmp_path / "flight.toml")
    assert not (tmp_path / "results").exists()


def test_a_panel_in_a_refused_cube_says_why_it_is_refused(tmp_path: Path) -> None:
    make_flight(tmp_path, FlightPlan(cubes=2, lines=160, samples=96, bands=24, dark_frames=40))
    raw = tmp_path / "raw" / "strip-00.raw"
    os.truncate(raw, raw.stat().st_size - 1)
    with pytest.raises(ConfigError, match=r"strip-00' cannot be used.*too short"):
        look(tmp_path / "flight.toml")


def test_a_truncated_cube_is_told_with_its_true_sizes(tmp_path: Path) -> None:
    make_flight(tmp_path, FlightPlan(cubes=2, lines=160, samples=96, bands=24, dark_frames=40))
    raw = tmp_path / "raw" / "strip-01.raw"
    whole = raw.stat().st_size
    os.truncate(raw, whole - 1000)
    [row] = [
        c for c in look(tmp_path / "flight.toml").to_json()["checks"] if c["check"] == "files-whole"
    ]
    assert row["value"] == -1000
    assert row["verdict"] == "fail"
    assert str(whole - 1000) in row["says"]
    assert str(whole) in row["says"]
