"""Two cubes that differ in anything at all are not the same."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest

import pipeline
from pipeline.flight.run import RunResult
from pipeline.inspect.compare import compare
from pipeline.inspect.compare_variables import variables_apart


def flag(nc: Any) -> None:
    nc["quality_flag"][2, 3, 4] ^= 2


def uncertainty(nc: Any) -> None:
    nc["reflectance_uncertainty"][2, 3, 4] += 1


def packing(nc: Any) -> None:
    nc["reflectance_uncertainty"].scale_factor = np.float32(2e-5)


def coordinate(nc: Any) -> None:
    nc["wavelength"][0] -= 0.25


def meanings(nc: Any) -> None:
    nc["quality_flag"].flag_meanings += " more"


@pytest.mark.parametrize(
    ("change", "variable", "what"),
    [
        (flag, "quality_flag", "values"),
        (uncertainty, "reflectance_uncertainty", "values"),
        (packing, "reflectance_uncertainty", "attribute scale_factor"),
        (meanings, "quality_flag", "attribute flag_meanings"),
    ],
)
def test_one_change_is_named_and_the_runs_are_not_the_same(
    plain_run: RunResult, tmp_path: Path, change: Callable[[Any], None], variable: str, what: str
) -> None:
    other = Path(shutil.copytree(plain_run.folder, tmp_path / plain_run.folder.name))
    assert compare(plain_run.folder, other)["same"] is True
    with netCDF4.Dataset(other / "strip-01.nc", "a") as nc:
        nc.set_auto_maskandscale(False)
        change(nc)
    found: Any = compare(plain_run.folder, other)
    assert found["same"] is False
    assert found["reflectance"]["variables"] == {"strip-01": {variable: [what]}}


def test_a_coordinate_and_a_missing_variable(plain_run: RunResult, tmp_path: Path) -> None:
    one = plain_run.folder / "strip-00.nc"
    other = Path(shutil.copy(one, tmp_path / "strip-00.nc"))
    with netCDF4.Dataset(other, "a") as nc:
        coordinate(nc)
        nc.renameVariable("dark_noise", "dark_noise_2")
    assert variables_apart(one, other) == {
        "wavelength": ["values"],
        "dark_noise": ["only in a"],
        "dark_noise_2": ["only in b"],
    }


def test_the_same_flight_in_two_containers_is_the_same(
    plain_copy: Any, plain_run: RunResult
) -> None:
    plain_copy.edit('format = "netcdf"', 'format = "zarr"')
    zarr = pipeline.run(plain_copy.config, workers=2)
    assert variables_apart(plain_run.folder / "strip-00.nc", zarr.folder / "strip-00.zarr") == {}
