"""A quicklook lies where its samples lie, or is refused."""

from __future__ import annotations

import shutil

import netCDF4
import numpy as np
import pytest
import rasterio
import xarray as xr

from pipeline.errors import InputError, OutputError
from pipeline.inspect.quicklook import export_quicklook


@pytest.fixture(scope="module")
def folder(rich_run):
    return rich_run.folder


@pytest.fixture(scope="module")
def cube(folder):
    with xr.open_dataset(folder / "strip-00.nc", decode_times=False) as dataset:
        yield dataset.load()


def alone(folder, tmp_path, *names):
    for name in names:
        shutil.copy(folder / name, tmp_path / name)
    return tmp_path


def test_control_points_hold_each_pixels_own_position(folder, cube, tmp_path):
    target = tmp_path / "quick.tif"
    export_quicklook(folder / "strip-00.nc", target)
    with rasterio.open(target) as tiff:
        points, crs = tiff.gcps
        assert crs.to_epsg() == 4326
        assert (tiff.count, tiff.dtypes[0]) == (3, "uint8")
        assert tiff.shape == cube["latitude"].shape
        assert len(points) >= 12
        for p in points:
            line, sample = round(p.row - 0.5), round(p.col - 0.5)
            assert p.x == pytest.approx(float(cube["longitude"][line, sample]), abs=1e-9)
            assert p.y == pytest.approx(float(cube["latitude"][line, sample]), abs=1e-9)


def test_a_brighter_panel_is_brighter_in_the_quicklook(folder, rich_run, tmp_path):
    target = tmp_path / "quick.tif"
    export_quicklook(folder / "strip-00.nc", target)
    with rasterio.open(target) as tiff:
        rgb = tiff.read().astype(float)
        assert tiff.dataset_mask().any()
    level = {}
    for panel in rich_run.document["panels"]:
        for seen in panel["passes"]:
            part = rgb[:, slice(*seen["lines"]), slice(*seen["samples"])]
            level[np.mean(panel["certified"])] = part.mean()
    order = [level[r] for r in sorted(level)]
    assert len(order) >= 3
    assert order == sorted(order)


def test_without_positions_a_quicklook_is_refused(folder, tmp_path):
    here = alone(folder, tmp_path, "strip-00.nc")
    with netCDF4.Dataset(here / "strip-00.nc", "a") as nc:
        nc.renameVariable("latitude", "somewhere")
    with pytest.raises(InputError, match="no latitude and longitude"):
        export_quicklook(here / "strip-00.nc", tmp_path / "quick.tif")
    assert not (tmp_path / "quick.tif").exists()


@pytest.mark.parametrize(
    ("text", "says"), [(None, "no such cube file"), ("hello", "cannot be read")]
)
def test_what_is_no_cube_is_refused(tmp_path, text, says):
    path = tmp_path / "strip.nc"
    if text is not None:
        path.write_text(text)
    with pytest.raises(InputError, match=says):
        export_quicklook(path, tmp_path / "quick.tif")


def test_a_target_that_cannot_be_written_is_said(folder, tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(OutputError, match="file is no folder"):
        export_quicklook(folder / "strip-00.nc", tmp_path / "file" / "quick.tif")
    (tmp_path / "quick.tif").mkdir()
    with pytest.raises(OutputError, match="cannot be written: Is a directory"):
        export_quicklook(folder / "strip-00.nc", tmp_path / "quick.tif")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "quick.tif"]
