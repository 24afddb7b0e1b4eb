"""Cubes in other forms, as rasterio, GDAL and spectral read them."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest
import rasterio
import spectral
from numpy.typing import NDArray

from pipeline.cli.commands import main
from pipeline.errors import InputError, OutputError
from pipeline.flight.run import run
from pipeline.inspect import cube_export, exports
from pipeline.synthetic import FlightPlan, make_flight, true_positions

#: The last block of lines is lower than the others, and bands and samples are no round numbers.
PLAN = FlightPlan(cubes=2, lines=150, samples=90, bands=11, dark_frames=60, seed=5)
KINDS = {
    "reflectance": ("reflectance", "int16", 1e-4, -32768),
    "uncertainty": ("reflectance_uncertainty", "uint16", 1e-5, 65535),
    "flags": ("quality_flag", "uint8", 1.0, None),
}


@pytest.fixture(scope="module", params=["netcdf", "zarr"])
def finished(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp(request.param)
    make_flight(place, PLAN)
    config = place / "flight.toml"
    text = config.read_text().replace('format = "netcdf"', f'format = "{request.param}"')
    config.write_text(text)
    return run(config, workers=2).folder


def packed(folder: Path, stem: str, name: str) -> NDArray[Any]:
    """A variable as it is packed, by netCDF4 or zarr."""
    if (folder / f"{stem}.nc").exists():
        with netCDF4.Dataset(folder / f"{stem}.nc") as cube:
            cube.set_auto_maskandscale(False)
            return np.asarray(cube[name][:])
    import zarr

    return np.asarray(zarr.open_group(folder / f"{stem}.zarr", mode="r")[name][:])


@pytest.fixture(scope="module")
def written(finished: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cubes")
    for form in ("geotiff", "flat"):
        list(exports.cubes(finished, form, target=folder))  # type: ignore[arg-type]
    return folder


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("suffix", [".tif", ".img"])
def test_rasterio_reads_the_packed_values(
    finished: Path, written: Path, kind: str, suffix: str
) -> None:
    name, dtype, scale, fill = KINDS[kind]
    for stem in PLAN.stems:
        with rasterio.open(written / f"{stem}-{kind}{suffix}") as file:
            assert set(file.dtypes) == {dtype}
            assert set(file.scales) == {scale}
            assert set(file.offsets) == {0.0}
            assert file.nodata == fill
            np.testing.assert_array_equal(file.read(), packed(finished, stem, name))


@pytest.mark.parametrize("kind", KINDS)
def test_spectral_reads_the_packed_values(finished: Path, written: Path, kind: str) -> None:
    name, dtype, scale, fill = KINDS[kind]
    image = spectral.open_image(str(written / f"strip-01-{kind}.hdr"))
    there = packed(finished, "strip-01", name)
    found = np.asarray(image.open_memmap(interleave="source")).transpose(1, 0, 2)
    np.testing.assert_array_equal(found, there)
    assert found.dtype == np.dtype(dtype).newbyteorder("<")
    np.testing.assert_allclose(image.bands.centers, PLAN.wavelength_nm, atol=1e-3)
    np.testing.assert_allclose(image.bands.bandwidths, PLAN.width_nm, atol=1e-3)
    assert image.bands.band_unit == "Nanometers"
    assert len(image.metadata["band names"]) == PLAN.bands
    assert image.scale_factor == pytest.approx(1 / scale)
    assert image.metadata.get("data ignore value") == (None if fill is None else str(fill))
    assert PLAN.name in image.metadata["description"]
    assert image.metadata["run id"] == finished.name


@pytest.mark.parametrize("name", ["strip-00-reflectance.tif", "strip-00-reflectance.img"])
def test_gdal_tells_what_it_is(written: Path, name: str) -> None:
    told = json.loads(
        subprocess.run(
            ["gdalinfo", "-json", "-mdd", "all", str(written / name)],
            check=True,
            capture_output=True,
            text=True,
        ).stdout
    )
    assert told["size"] == [PLAN.samples, PLAN.lines]
    assert len(told["bands"]) == PLAN.bands
    for band, nm in zip(told["bands"], PLAN.wavelength_nm, strict=True):
        assert (band["type"], band["noDataValue"]) == ("Int16", -32768)
        assert band["scale"] == pytest.approx(1e-4)
        assert f"reflectance factor {nm:.1f} nm" in band["description"]
        metadata = band["metadata"][""]
        shown = metadata.get("wavelength_nm", metadata.get("wavelength"))
        assert float(shown) == pytest.approx(nm, abs=1e-3)
        if name.endswith(".tif"):
            assert float(metadata["fwhm_nm"]) == pytest.approx(PLAN.width_nm)
            assert float(band["metadata"]["IMAGERY"]["CENTRAL_WAVELENGTH_UM"]) == pytest.approx(
                nm / 1000, abs=1e-6
            )


def test_its_control_points_lie_where_the_samples_did(written: Path) -> None:
    latitude, longitude = true_positions(PLAN, 0)
    with rasterio.open(written / "strip-00-reflectance.tif") as file:
        points, system = file.gcps
        assert system.to_epsg() == 4326
        assert len(points) >= 4
        for point in points:
            line, sample = int(point.row), int(point.col)
            assert point.y == pytest.approx(latitude[line, sample], abs=1e-7)
            assert point.x == pytest.approx(longitude[line, sample], abs=1e-7)


def test_the_command_names_what_it_wrote(
    finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["export", str(finished), "cube", "--format", "flat", "--cube", "strip-01"]
    assert main([*asked, "--target", str(tmp_path / "new")]) == 0
    names = [f"strip-01-{kind}{suffix}" for kind in KINDS for suffix in (".img", ".hdr")]
    told = capsys.readouterr().out.splitlines()
    assert told == [f"written: {tmp_path / 'new' / name}" for name in names]
    assert sorted(p.name for p in (tmp_path / "new").iterdir()) == sorted(names)
    assert main([*asked, "--target", str(finished / "more")]) == 2
    assert "lies in the finished run" in capsys.readouterr().err
    assert not (finished / "more").exists()
    assert main([*asked[:-1], "strip-07"]) == 2
    assert "no cube 'strip-07'; this run has strip-00, strip-01" in capsys.readouterr().err


def test_a_name_ends_no_list_of_the_header(finished: Path, tmp_path: Path) -> None:
    [first, *_] = sorted(p for p in finished.iterdir() if p.suffix in (".nc", ".zarr"))
    odd = tmp_path / f"a }} bands = 3 {{\u202e{first.suffix}"
    (shutil.copytree if first.is_dir() else shutil.copy)(first, odd)
    files = list(cube_export.export_cubes([odd], tmp_path / "new", "flat"))
    image = spectral.open_image(str(files[1]))
    assert image.nbands == PLAN.bands
    assert "a ) bands = 3 (\\u202e" in image.metadata["description"]


def test_a_failing_export_leaves_nothing(
    finished: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(cube_export, "_header", full)
    with pytest.raises(OutputError, match="No space left on device"):
        list(exports.cubes(finished, "flat", target=tmp_path / "new"))
    assert not list(tmp_path.rglob("*.img"))


def test_a_damaged_cube_is_named(finished: Path, tmp_path: Path) -> None:
    copied = tmp_path / finished.name
    shutil.copytree(finished, copied)
    [first, *_] = sorted(p for p in copied.iterdir() if p.suffix in (".nc", ".zarr"))
    if first.is_dir():
        for shard in (first / "reflectance").rglob("*"):
            if shard.is_file() and shard.name != "zarr.json":
                shard.write_bytes(shard.read_bytes()[:100])
    else:
        whole = first.read_bytes()
        first.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match=first.name):
        list(exports.cubes(copied, "geotiff", target=tmp_path / "new"))
