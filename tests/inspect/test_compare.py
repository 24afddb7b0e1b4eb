"""What `compare` reports, against numpy on the same cubes read by xarray."""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from pipeline.errors import InputError
from pipeline.flight.run import RunResult, run
from pipeline.inspect.compare import compare
from pipeline.inspect.compare_cubes import statistics
from pipeline.inspect.comparison_tables import show_comparison


@given(st.lists(st.integers(-65535, 65535), min_size=1, max_size=60))
def test_statistics_are_those_of_numpy(differences: list[int]) -> None:
    counts = np.bincount(np.array(differences) + 65535, minlength=131071)
    found = statistics(counts, 1e-4)
    values = np.array(differences) * 1e-4
    assert found["samples"] == len(differences)
    assert found["differing"] == np.count_nonzero(differences)
    assert found["mean"] == pytest.approx(values.mean(), abs=1e-12)
    assert found["p5"] == pytest.approx(np.percentile(values, 5), abs=1e-9)
    assert found["p95"] == pytest.approx(np.percentile(values, 95), abs=1e-9)


def test_no_valid_sample_has_no_statistics() -> None:
    assert statistics(np.zeros(131071, np.int64), 1e-4) == {
        "samples": 0,
        "differing": 0,
        "mean": None,
        "p5": None,
        "p95": None,
    }


@pytest.fixture(scope="module")
def two_runs(
    tmp_path_factory: pytest.TempPathFactory, make_flight_in: Callable[..., Any]
) -> tuple[RunResult, RunResult]:
    """netCDF, and Zarr with another panel, another certificate and a file more."""
    flight = make_flight_in(tmp_path_factory.mktemp("compared"))
    before = run(flight.config, workers=2)
    flight.edit('format = "netcdf"', 'format = "zarr"')
    flight.edit('use = "check"', 'use = "fit"')
    certificate = flight.folder / "certificates" / "grey-24.csv"
    head, *rows = certificate.read_text().splitlines()
    changed = [f"{nm},{float(rho) * 1.05:.5f},{u}" for nm, rho, u in (r.split(",") for r in rows)]
    certificate.write_text("\n".join([head, *changed]) + "\n")
    flight.edit('track = "track.csv"\n', "")
    return before, run(flight.config, workers=2)


def test_config_inputs_and_panels_are_told_apart(two_runs: tuple[RunResult, RunResult]) -> None:
    found: Any = compare(*(r.folder for r in two_runs))
    json.dumps(found, allow_nan=False)
    assert found["config"] == {
        "flight.track": ["track.csv", None],
        "panel[grey-12].use": ["check", "fit"],
        "output.format": ["netcdf", "zarr"],
    }
    assert found["inputs"] == {
        "changed": ["certificates/grey-24.csv"],
        "added": [],
        "gone": ["track.csv"],
    }
    panels = {row["panel"]: row for row in found["panels"]}
    assert set(panels) == {"grey-12", "grey-24"}
    assert panels["grey-12"]["use"] == ["check", "fit"]
    old, new = panels["grey-24"]["certified"]["mean"]
    assert new / old == pytest.approx(1.05, rel=1e-3)
    assert "check-panel" in {row["check"] for row in found["checks"]["changed"]}


def test_reflectance_differs_as_xarray_and_numpy_see_it(
    two_runs: tuple[RunResult, RunResult],
) -> None:
    found: Any = compare(*(r.folder for r in two_runs))["reflectance"]
    assert found["cubes"] == ["strip-00", "strip-01"]
    assert found["left_out"] == {}
    parts = []
    for name in found["cubes"]:
        with (
            xr.open_dataset(two_runs[0].folder / f"{name}.nc") as a,
            xr.open_zarr(two_runs[1].folder / f"{name}.zarr", consolidated=False) as b,
        ):
            difference = (b.reflectance.astype("f8") - a.reflectance.astype("f8")).values
            parts.append(difference.reshape(len(difference), -1))
            centres = a.wavelength.values
    all_of = np.concatenate(parts, axis=1)
    assert np.isfinite(all_of).any(axis=1).all()
    for row, band, centre in zip(found["bands"], all_of, centres, strict=True):
        sound = band[np.isfinite(band)]
        assert row["wavelength_nm"] == centre
        assert row["samples"] == sound.size
        assert row["differing"] == np.count_nonzero(np.abs(sound) > 0.5e-4)
        assert row["mean"] == pytest.approx(sound.mean(), abs=2e-7)
        # The packed steps are exact, xarray decodes them in float32.
        assert row["p5"] == pytest.approx(np.percentile(sound, 5), abs=2e-7)
        assert row["p95"] == pytest.approx(np.percentile(sound, 95), abs=2e-7)


def test_a_run_does_not_differ_from_itself(plain_run: RunResult) -> None:
    found: Any = compare(plain_run.folder, plain_run.folder)
    assert found["same"] is True
    assert found["config"] == {}
    assert found["panels"] == found["checks"]["changed"] == []
    assert not any(found["inputs"].values())
    assert {(r["mean"], r["p5"], r["p95"]) for r in found["reflectance"]["bands"]} == {(0, 0, 0)}


def shown(comparison: dict[str, object]) -> list[str]:
    """What the terminal shows, line by line."""
    stream = io.StringIO()
    show_comparison(comparison, Console(file=stream, width=160))
    return [line.rstrip() for line in stream.getvalue().splitlines()]


def test_runs_that_are_the_same_are_told_in_one_sentence(plain_run: RunResult) -> None:
    (line,) = shown(compare(plain_run.folder, plain_run.folder))
    assert "are the same in config, inputs, panels, checks" in line
    assert "2 cubes" in line


def test_one_sample_apart_is_not_the_same(plain_run: RunResult, tmp_path: Path) -> None:
    other = tmp_path / "run"
    shutil.copytree(plain_run.folder, other)
    with netCDF4.Dataset(other / "strip-01.nc", "a") as nc:
        nc.set_auto_maskandscale(False)
        packed = nc["reflectance"]
        (line, sample), (_, gone) = np.argwhere(packed[3] != packed._FillValue)[:2]
        packed[3, line, sample] += 1
        packed[4, line, gone] = packed._FillValue
    found: Any = compare(plain_run.folder, other)
    assert found["same"] is False
    assert [row["differing"] for row in found["reflectance"]["bands"]][2:5] == [0, 1, 0]
    assert [row["in_one"] for row in found["reflectance"]["bands"]][2:5] == [0, 0, 1]
    assert "valid in one run alone: 1 sample, all bands together" in shown(found)


def test_cubes_of_other_shapes_are_said_to_be_not_compared(
    plain_run: RunResult, tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    other = run(make_flight_in(tmp_path, lines=80, bands=20).config, workers=2)
    found: Any = compare(plain_run.folder, other.folder)
    lines = shown(found)
    assert "reflectance: not compared" in lines
    size = "100 lines x 64 samples in a, 80 lines x 64 samples in b"
    assert f"not compared: strip-00: {size}" in lines
    assert not any("0 cubes" in line or "{" in line for line in lines)
    assert any(line.split() == ["grey-24", "signal,", "not", "compared", "30", "bands", "20",
                                "bands"] for line in lines)  # fmt: skip


def test_the_checks_shown_differ_and_have_both_sides(plain_run: RunResult, tmp_path: Path) -> None:
    other = tmp_path / "run"
    shutil.copytree(plain_run.folder, other)
    document = json.loads((other / "run.json").read_text())
    rows = {row["check"]: row for row in document["checks"]}
    rows["sun-elevation"]["value"] *= 1 + 1e-9
    rows["scene-low-signal"]["fail"] = 7.0
    rows["along-track"]["subject"] = "strip-77"
    rows["panel-peak"] |= {"value": 0.5, "verdict": "caution"}
    rows["line-jitter"] |= {"value": 0.5, "subject": "strip-77"}
    document["checks"].remove(rows["panel-span"])
    (other / "run.json").write_text(json.dumps(document))
    found: Any = compare(plain_run.folder, other)
    assert found["same"] is False
    changed = {row["check"]: row for row in found["checks"]["changed"]}
    assert set(changed) == {"panel-peak", "line-jitter", "panel-span"}
    assert all(None not in row["value"] for row in changed.values() if row["check"] != "panel-span")
    (line,) = (line for line in shown(found) if line.startswith("line-jitter"))
    assert line.endswith("0.5 strip-77")
    assert any("panel-span" in line and "not in this run" in line for line in shown(found))


def test_cubes_of_one_run_alone_are_named(plain_run: RunResult, tmp_path: Path) -> None:
    other = tmp_path / "run"
    shutil.copytree(plain_run.folder, other)
    (other / "strip-01.nc").rename(other / "strip-07.nc")
    found: Any = compare(plain_run.folder, other)["reflectance"]
    assert found["cubes"] == ["strip-00"]
    assert found["left_out"] == {"strip-01": "only in run a", "strip-07": "only in run b"}


def test_the_tables_show_text_as_it_is(two_runs: tuple[RunResult, RunResult]) -> None:
    found: Any = compare(*(r.folder for r in two_runs))
    found["config"]["x[red]y\n"] = ["[/]", None]
    stream = io.StringIO()
    show_comparison(found, Console(file=stream, width=160))
    text = stream.getvalue()
    assert "x[red]y\\n" in text
    assert "certificates/grey-24.csv" in text
    assert "over 2 cubes" in text


@pytest.mark.parametrize("content", [None, b"{", b"[]", b"\xff"])
def test_no_run_is_an_error_of_ours(
    plain_run: RunResult, tmp_path: Path, content: bytes | None
) -> None:
    if content is not None:
        (tmp_path / "run.json").write_bytes(content)
    with pytest.raises(InputError, match=r"run\.json"):
        compare(plain_run.folder, tmp_path)


def test_a_damaged_cube_is_an_error_of_ours(plain_run: RunResult, tmp_path: Path) -> None:
    other = tmp_path / "run"
    shutil.copytree(plain_run.folder, other)
    (other / "strip-00.nc").write_bytes(b"nothing of the kind")
    with pytest.raises(InputError, match=r"strip-00\.nc"):
        compare(plain_run.folder, other)
