"""The netCDF cube as the usual libraries read it: variables, types, filters, chunks, values."""

from __future__ import annotations

import errno
import shutil
import subprocess
from pathlib import Path
from typing import Any

import h5py
import netCDF4
import numpy as np
import pytest
import rasterio
import xarray as xr
from rasterio.errors import NotGeoreferencedWarning

from pipeline.write.netcdf import disk_errors

#: Section by section what a cube file promises: dimensions and type of each variable.
CUBE, BAND, LINE = ("wavelength", "line", "sample"), ("wavelength",), ("line",)
ELEMENT, PIXEL = ("wavelength", "sample"), ("line", "sample")
PROMISED: dict[str, tuple[tuple[str, ...], str]] = {
    "reflectance": (CUBE, "int16"),
    "reflectance_uncertainty": (CUBE, "uint16"),
    "quality_flag": (CUBE, "uint8"),
    "line_flag": (LINE, "uint8"),
    "wavelength": (BAND, "float64"),
    "fwhm": (BAND, "float64"),
    "time": (LINE, "float64"),
    "irradiance_ratio": (LINE, "float64"),
    "latitude": (PIXEL, "float64"),
    "longitude": (PIXEL, "float64"),
    "empirical_gain": (BAND, "float64"),
    "empirical_offset": (BAND, "float64"),
    "empirical_gain_uncertainty": (BAND, "float64"),
    "empirical_offset_uncertainty": (BAND, "float64"),
    "empirical_gain_offset_covariance": (BAND, "float64"),
    "dark_mean": (ELEMENT, "float32"),
    "dark_noise": (ELEMENT, "float32"),
    "relative_response": (ELEMENT, "float32"),
}
GLOBALS = (
    "Conventions", "title", "summary", "keywords", "history", "source", "id", "run_id", "follows",
    "config", "config_sha256", "inputs", "product_version", "date_created",
    "time_coverage_start", "time_coverage_end", "geospatial_lat_min", "geospatial_lat_max",
    "geospatial_lon_min", "geospatial_lon_max",
)  # fmt: skip


@pytest.fixture(scope="module")
def cube(rich_run: Any) -> Path:
    path: Path = rich_run.folder / "strip-00.nc"
    return path


def test_every_promised_variable_has_its_dimensions_and_type(cube: Path) -> None:
    with netCDF4.Dataset(cube) as nc:
        seen = {name: (nc[name].dimensions, str(nc[name].dtype)) for name in PROMISED}
    assert seen == PROMISED


def test_every_promised_global_attribute_is_there(cube: Path, rich_flight: Any) -> None:
    with netCDF4.Dataset(cube) as nc:
        missing = set(GLOBALS) - set(nc.ncattrs())
        assert not missing
        assert nc.config == rich_flight.config.read_text()
        assert "grey-50.csv" in nc.inputs
        assert nc.run_id == nc.id == cube.parent.name


def test_no_attribute_is_empty(cube: Path) -> None:
    with netCDF4.Dataset(cube) as nc:
        for owner in (nc, *nc.variables.values()):
            for name in owner.ncattrs():
                value = owner.getncattr(name)
                assert np.size(value), name
                assert not isinstance(value, str) or value.strip(), name


def test_packing_attributes_and_fills_have_the_types_that_cf_wants(cube: Path) -> None:
    # CF-1.11, 8.1 and 2.5.1: the fill value has the packed type.
    with netCDF4.Dataset(cube) as nc:
        nc.set_auto_maskandscale(False)
        for name, kind in (("reflectance", np.int16), ("reflectance_uncertainty", np.uint16)):
            attributes = {a: nc[name].getncattr(a) for a in nc[name].ncattrs()}
            assert attributes["scale_factor"].dtype == attributes["add_offset"].dtype == np.float32
            assert attributes["_FillValue"].dtype == kind
        assert nc["reflectance"]._FillValue == -32768
        assert nc["reflectance"].scale_factor == np.float32(1e-4)
        for mask in ("quality_flag", "line_flag"):
            assert "_FillValue" not in nc[mask].ncattrs()
            assert nc[mask].flag_masks.dtype == np.uint8
            assert len(nc[mask].flag_masks) == len(nc[mask].flag_meanings.split())
        for coordinate in ("wavelength", "time"):
            assert "_FillValue" not in nc[coordinate].ncattrs()
            assert (np.diff(nc[coordinate][:]) > 0).all()


def test_flags_by_name_and_bit(cube: Path) -> None:
    with netCDF4.Dataset(cube) as nc:
        quality = nc["quality_flag"]
        named = dict(zip(quality.flag_meanings.split(), quality.flag_masks, strict=True))
        line = nc["line_flag"]
        lines = dict(zip(line.flag_meanings.split(), line.flag_masks, strict=True))
    assert named == {
        "saturated": 1, "low_signal": 2, "bad_element": 4, "outside_panel_range": 8,
        "no_calibration": 16, "dark_uncertain": 32, "no_data": 64, "beyond_packing": 128,
    }  # fmt: skip
    assert lines == {"after_gap": 1, "time_estimated": 2, "illumination_extrapolated": 4}


def test_only_shuffle_and_deflate_and_chunks_as_promised(cube: Path) -> None:
    with h5py.File(cube) as file:
        for name in ("reflectance", "reflectance_uncertainty", "quality_flag"):
            plist = file[name].id.get_create_plist()
            filters = [plist.get_filter(i)[0] for i in range(plist.get_nfilters())]
            wanted = [h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_DEFLATE]
            assert filters == (wanted if file[name].dtype.itemsize > 1 else wanted[1:])
            bands, lines, samples = file[name].shape
            assert file[name].chunks == (-(-bands // 10), min(64, lines), samples)
            offsets = {
                file[name].id.get_chunk_info(i).chunk_offset
                for i in range(file[name].id.get_num_chunks())
            }
            height = file[name].chunks[0]
            assert offsets == {(b, at, 0) for b in range(0, bands, height) for at in (0, 64)}


def test_xarray_netcdf4_and_rasterio_read_the_same_values(cube: Path) -> None:
    with netCDF4.Dataset(cube) as nc:
        nc.set_auto_maskandscale(False)
        packed, flags = nc["reflectance"][:], nc["quality_flag"][:]
    wanted = np.where(packed == -32768, np.nan, packed * 1e-4)
    with xr.open_dataset(cube) as ds:
        np.testing.assert_allclose(ds.reflectance.values, wanted, atol=1e-7)
        np.testing.assert_array_equal(ds.quality_flag.values, flags)
        assert ds.reflectance.dtype == np.float32
        assert {"wavelength", "time", "latitude", "longitude"} <= set(ds.coords)
        assert ds.time.dtype.kind == "M"
    # GDAL takes a file without a geotransform as bottom up unless told, and would show line 0 at
    # the bottom.
    with rasterio.Env(GDAL_NETCDF_BOTTOMUP="NO"):
        # Rightly without a geotransform: the swath is a line scan, not a map.
        with pytest.warns(NotGeoreferencedWarning):
            raster = rasterio.open(f'netcdf:"{cube}":reflectance')
        with raster:
            assert (raster.count, raster.height, raster.width) == packed.shape
            assert raster.nodata == -32768
            np.testing.assert_array_equal(raster.read(), packed)


@pytest.mark.skipif(shutil.which("ncdump") is None, reason="ncdump is not installed")
def test_ncdump_reads_it(cube: Path) -> None:
    done = subprocess.run(["ncdump", "-h", cube], capture_output=True, text=True, check=True)
    assert "short reflectance(wavelength, line, sample)" in done.stdout


def test_blank_and_flagged_go_together(cube: Path) -> None:
    with netCDF4.Dataset(cube) as nc:
        nc.set_auto_maskandscale(False)
        blank = nc["reflectance"][:] == -32768
        masks = dict(
            zip(
                nc["quality_flag"].flag_meanings.split(), nc["quality_flag"].flag_masks, strict=True
            )
        )
        bits = np.bitwise_or.reduce([masks[name] for name in nc.blank_flags.split()])
        np.testing.assert_array_equal(blank, (nc["quality_flag"][:] & bits) != 0)
        np.testing.assert_array_equal(blank, nc["reflectance_uncertainty"][:] == 65535)
    assert 0 < blank.mean() < 0.1


def test_without_a_track_no_position_is_made_up(rich_copy: Any) -> None:
    import pipeline

    rich_copy.edit('track = "track.csv"\n', "")
    result = pipeline.run(rich_copy.config)
    with netCDF4.Dataset(result.folder / "strip-00.nc") as nc:
        assert not {"latitude", "longitude"} & set(nc.variables)
        assert not [name for name in nc.ncattrs() if name.startswith("geospatial")]
        assert nc["reflectance"].coordinates == "time"


@pytest.mark.parametrize("number", [None, errno.ENOSPC])
def test_a_full_disk_is_told_in_the_systems_own_words(tmp_path: Path, number: int | None) -> None:
    said = (
        "Can't write data (file write failed: errno = 28, error message = 'No space', buf = 0x7f)"
    )
    with (
        pytest.raises(OSError, match="No space left on device") as caught,
        disk_errors(tmp_path / "cube.nc"),
    ):
        raise OSError(number, said) if number else OSError(said)
    assert caught.value.errno == errno.ENOSPC
    assert "buf" not in str(caught.value)
