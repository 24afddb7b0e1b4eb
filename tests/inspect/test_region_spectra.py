"""A table of regions' spectra states what it knows."""

from __future__ import annotations

import csv
import shutil

import netCDF4
import numpy as np
import pytest
import shapely
import xarray as xr

from pipeline.errors import InputError
from pipeline.flight.run import run
from pipeline.inspect.region_spectra import COLUMNS, export_spectra

LEFT_OUT = 1 | 4 | 16 | 64  # saturated, bad_element, no_calibration, no_data


@pytest.fixture(scope="module")
def folder(rich_run):
    return rich_run.folder


@pytest.fixture(scope="module")
def cube(folder):
    with xr.open_dataset(folder / "strip-00.nc", decode_times=False) as dataset:
        yield dataset.load()


def around(cube, lines, samples):
    """A polygon around a block of samples, half a step wider on each side."""
    lat, lon = cube["latitude"].values, cube["longitude"].values
    a, b, c, d = lines[0], lines[1] - 1, samples[0], samples[1] - 1
    corners = np.array([[lon[i, j], lat[i, j]] for i, j in ((a, c), (a, d), (b, d), (b, c))])
    along = np.array([lon[1, 0] - lon[0, 0], lat[1, 0] - lat[0, 0]]) * 0.4
    across = np.array([lon[0, 1] - lon[0, 0], lat[0, 1] - lat[0, 0]]) * 0.4
    signs = ((-1, -1), (-1, 1), (1, 1), (1, -1))
    return shapely.Polygon(
        [p + s * along + t * across for p, (s, t) in zip(corners, signs, strict=True)]
    )


def table(path):
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == COLUMNS
    numbers = {n: np.array([float(row[n] or "nan") for row in rows]) for n in COLUMNS[2:]}
    return numbers | {name: [row[name] for row in rows] for name in COLUMNS[:2]}


def alone(folder, tmp_path, *names):
    for name in names:
        shutil.copy(folder / name, tmp_path / name)
    return tmp_path


def test_mean_and_spread_are_those_of_the_sound_samples(folder, cube, tmp_path):
    lines, samples = (40, 60), (5, 25)
    here = alone(folder, tmp_path, "strip-00.nc")
    export_spectra(here, {"block": around(cube, lines, samples)}, tmp_path / "t.csv")
    found = table(tmp_path / "t.csv")
    part = cube.isel(line=slice(*lines), sample=slice(*samples))
    flags, r = part["quality_flag"].values, part["reflectance"].values.astype(float)
    good = ((flags & LEFT_OUT) == 0) & np.isfinite(r)
    with np.errstate(invalid="ignore"):
        r = np.where(good, r, np.nan).reshape(len(r), -1)
    np.testing.assert_allclose(found["wavelength_nm"], cube["wavelength"].values)
    np.testing.assert_allclose(found["mean"], np.nanmean(r, axis=1), rtol=1e-5)
    np.testing.assert_allclose(found["standard_deviation"], np.nanstd(r, axis=1, ddof=1), rtol=1e-4)
    np.testing.assert_array_equal(found["samples"], good.sum(axis=(1, 2)))
    np.testing.assert_array_equal(found["samples"] + found["left_out"], 400)
    for name, bit in (
        ("saturated", 1),
        ("bad_element", 4),
        ("no_calibration", 16),
        ("no_data", 64),
    ):
        expected = ((flags & bit) != 0).sum(axis=(1, 2))
        np.testing.assert_array_equal(found[f"left_out_{name}"], expected)


def test_of_one_sample_the_uncertainty_is_the_cubes(folder, cube, tmp_path):
    here = alone(folder, tmp_path, "strip-00.nc")
    export_spectra(here, {"one": around(cube, (50, 51), (12, 13))}, tmp_path / "t.csv")
    found = table(tmp_path / "t.csv")
    stored = cube["reflectance_uncertainty"][:, 50, 12].values
    good = found["samples"] == 1
    assert good.sum() >= 25
    # Two significant digits are stored, and the packed reflectance feeds back at half its step.
    np.testing.assert_allclose(found["standard_uncertainty"][good], stored[good], rtol=0.06)


def test_of_many_samples_the_systematic_part_is_what_remains(folder, cube, tmp_path):
    here = alone(folder, tmp_path, "strip-00.nc")
    regions = {
        "few": around(cube, (40, 42), (10, 12)),
        "many": around(cube, (40, 80), (10, 50)),
    }
    export_spectra(here, regions, tmp_path / "t.csv")
    found = table(tmp_path / "t.csv")
    few, many = (np.array([r == name for r in found["region"]]) for name in regions)
    total, part = found["standard_uncertainty"], found["systematic_uncertainty"]
    assert (total >= part).all()
    excess = np.sqrt(total**2 - part**2)
    assert np.median(excess[many] / excess[few]) < 0.2
    assert np.median(total[many] / part[many]) < 1.1


def test_a_falloff_that_was_not_measured_does_not_shrink_in_a_mean(rich_copy, tmp_path):
    rich_copy.edit('flat = "flat-0.hdr"\n', "")
    run_folder = run(rich_copy.config).folder
    with xr.open_dataset(run_folder / "strip-00.nc", decode_times=False) as opened:
        cube = opened.load()
    here = alone(run_folder, tmp_path, "strip-00.nc")
    regions = {"block": around(cube, (40, 60), (5, 25))}
    export_spectra(here, regions, tmp_path / "common.csv")
    with netCDF4.Dataset(here / "strip-00.nc", "a") as nc:
        nc["relative_response_uncertainty"].correlation_sample = "independent"
    export_spectra(here, regions, tmp_path / "independent.csv")
    common, independent = (
        table(tmp_path / name)["systematic_uncertainty"]
        for name in ("common.csv", "independent.csv")
    )
    # No element of the block has another: the whole of it is in the mean.
    relative = cube["relative_response_uncertainty"].max(dim="sample").values
    mean = table(tmp_path / "common.csv")["mean"]
    of_response = np.abs(mean - cube["empirical_offset"].values) * relative
    known = np.isfinite(mean)
    assert known.mean() > 0.9
    excess = np.sqrt(common**2 - independent**2)
    np.testing.assert_allclose(excess[known], of_response[known], rtol=0.02)


def test_zarr_and_netcdf_give_the_same_table(rich_flight, folder, cube, tmp_path):
    copied = rich_flight.copy(tmp_path / "flight").edit('format = "netcdf"', 'format = "zarr"')
    stored = run(copied.config, workers=2).folder
    regions = {"block": around(cube, (40, 60), (5, 25))}
    export_spectra(folder, regions, tmp_path / "a.csv")
    export_spectra(stored, regions, tmp_path / "b.csv")
    a, b = table(tmp_path / "a.csv"), table(tmp_path / "b.csv")
    for name in COLUMNS[2:]:
        np.testing.assert_allclose(a[name], b[name], rtol=5e-6)


def test_regions_off_the_strips_are_refused(folder, tmp_path):
    with pytest.raises(InputError, match="no sample lies in elsewhere"):
        export_spectra(folder, {"elsewhere": shapely.box(0, 0, 1, 1)}, tmp_path / "t.csv")
    with pytest.raises(InputError, match="has no cube file"):
        export_spectra(tmp_path, {"a": shapely.box(0, 0, 1, 1)}, tmp_path / "t.csv")
    assert not (tmp_path / "t.csv").exists()


def test_each_strip_has_rows_of_its_own_and_an_unseen_region_has_empty_ones(folder, cube, tmp_path):
    whole = shapely.box(
        *(float(cube[n].min()) - 1e-3 for n in ("longitude", "latitude")),
        *(float(cube[n].max()) + 1e-3 for n in ("longitude", "latitude")),
    )
    regions = {"all": whole, "elsewhere": shapely.box(0, 0, 1, 1)}
    export_spectra(folder, regions, tmp_path / "t.csv")
    found, bands = table(tmp_path / "t.csv"), cube.sizes["wavelength"]
    assert found["strip"] == ["strip-00"] * bands + ["strip-01"] * bands + [""] * bands
    assert found["region"] == ["all"] * 2 * bands + ["elsewhere"] * bands
    assert np.isnan(found["mean"][2 * bands :]).all()
    assert (found["samples"][2 * bands :] == 0).all()
    with xr.open_dataset(folder / "strip-01.nc", decode_times=False) as other:
        flags, r = other["quality_flag"].values, other["reflectance"].values
        good = ((flags & LEFT_OUT) == 0) & np.isfinite(r)
        wanted = [r[b][good[b]].mean() for b in range(bands)]
    np.testing.assert_allclose(found["mean"][bands : 2 * bands], wanted, rtol=1e-5)


def test_a_name_that_would_be_a_formula_is_none(folder, cube, tmp_path):
    """OWASP, CSV injection: =, +, - and @ begin a formula."""
    here = alone(folder, tmp_path, "strip-00.nc")
    for name in ("=1+1", "+cmd|' /C calc'!A0", "-2", "@SUM(A1)"):
        export_spectra(here, {name: around(cube, (40, 42), (10, 12))}, tmp_path / "t.csv")
        first = (tmp_path / "t.csv").read_text().splitlines()[1]
        assert first.startswith("\"'" + name[0])
        assert ",4,0," in first  # numbers stay numbers
