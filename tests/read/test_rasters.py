"""Rasters and folders of frames: the counts that were written, wavelengths from where files have
them, and each refusal."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest
import rasterio
import rasterio.shutil
from numpy.typing import NDArray

from pipeline.config.flight import Frames
from pipeline.config.sensor import HeaderKeys, Sensor
from pipeline.errors import ConfigError, InputError
from pipeline.read.registry import capture_name, describe, open_capture

pytestmark = pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")

CENTRES = Sensor(wavelength_nm=(500.0, 510.0, 520.0))
KINDS = ["uint8", "int16", "uint16", "int32", "uint32", "float32", "int64", "uint64", "float64"]


def some(kind: str = "uint16", shape: tuple[int, int, int] = (7, 3, 5)) -> NDArray[Any]:
    rng = np.random.default_rng(3)
    return rng.integers(0, 250, shape).astype(kind)


def tif(
    path: Path,
    counts: NDArray[Any],
    tags: dict[str, str] | None = None,
    by_band: Callable[[Any, int], None] | None = None,
    **profile: Any,
) -> Path:
    lines, bands, samples = counts.shape
    with rasterio.open(
        path, "w", driver="GTiff", width=samples, height=lines, count=bands,
        dtype=counts.dtype.name, **profile,
    ) as out:  # fmt: skip
        out.write(counts.transpose(1, 0, 2))
        out.update_tags(**(tags or {}))
        for band in range(1, bands + 1):
            if by_band:
                by_band(out, band)
    return path


@pytest.mark.parametrize("kind", KINDS)
def test_counts_come_back(tmp_path: Path, kind: str) -> None:
    counts = some(kind)
    sensor = Sensor(wavelength_nm=(510.0, 520.0, 500.0), fwhm_nm=(5.0, 6.0, 7.0))
    capture = describe(tif(tmp_path / "strip-00.tif", counts), sensor)
    expected = counts[:, [2, 0, 1]]
    assert (capture.name, capture.wavelength_nm.tolist()) == ("strip-00", [500, 510, 520])
    assert capture.fwhm_nm.tolist() == [7, 5, 6]
    assert capture.itemsize <= 4
    digest = hashlib.sha256()
    with open_capture(capture) as cube:
        np.testing.assert_array_equal(cube.lines(2, 5), expected[2:5])
        assert cube.lines(3, 3).shape == (0, 3, 5)
        whole = []
        for start, block in cube.blocks(3, digest=digest):
            assert block.dtype.itemsize <= 4
            assert block.flags.c_contiguous
            whole.append(block.copy())
            cube.give_back(start)
        with pytest.raises(ValueError, match="of a cube of 7 lines"):
            cube.lines(5, 8)
    np.testing.assert_array_equal(np.concatenate(whole), expected)
    assert digest.hexdigest() == hashlib.sha256(capture.data.read_bytes()).hexdigest()


def test_counts_from_several_threads(tmp_path: Path) -> None:
    counts = some(shape=(64, 3, 5))
    capture = describe(tif(tmp_path / "a.tif", counts, compress="deflate"), CENTRES)
    with open_capture(capture) as cube, ThreadPoolExecutor(4) as threads:
        found = list(threads.map(lambda line: cube.lines(line, line + 1), range(64)))
    np.testing.assert_array_equal(np.concatenate(found), counts)


@pytest.mark.parametrize("rows", ["bands", "samples"])
@pytest.mark.parametrize("suffix", ["tif", "png"])
def test_frames_come_back(tmp_path: Path, rows: str, suffix: str) -> None:
    counts = some(shape=(12, 3, 5))
    folder = tmp_path / "strip-00"
    folder.mkdir()
    (folder / "notes.txt").write_text("not a frame")
    for line, plane in enumerate(counts):
        frame = plane if rows == "bands" else plane.T
        with rasterio.open(
            folder / f"frame-{line}.{suffix}", "w", driver={"tif": "GTiff", "png": "PNG"}[suffix],
            width=frame.shape[1], height=frame.shape[0], count=1, dtype="uint16",
        ) as out:  # fmt: skip
            out.write(frame, 1)
    frames = Frames.model_validate({"files": f"*.{suffix}", "rows": rows})
    capture = describe(folder, Sensor(wavelength_nm=(510.0, 520.0, 500.0)), frames)
    assert (capture.name, capture.lines, len(capture.files)) == ("strip-00", 12, 12)
    digest, again = hashlib.sha256(), hashlib.sha256()
    with open_capture(capture) as cube:
        blocks = [block.copy() for _, block in cube.blocks(5, digest=digest)]
        np.testing.assert_array_equal(cube.lines(9, 11), counts[9:11, [2, 0, 1]])
        cube.add_to(again)
    np.testing.assert_array_equal(np.concatenate(blocks), counts[:, [2, 0, 1]])
    assert digest.hexdigest() == again.hexdigest()
    listed = "".join(
        f"{hashlib.sha256((folder / f'frame-{i}.{suffix}').read_bytes()).hexdigest()}"
        f"  frame-{i}.{suffix}\n"
        for i in range(12)
    )
    assert digest.hexdigest() == hashlib.sha256(listed.encode()).hexdigest()


# -- wavelengths


def central(out: Any, band: int) -> None:
    tags = {"CENTRAL_WAVELENGTH_UM": str(0.49 + 0.01 * band), "FWHM_UM": "0.006"}
    out.update_tags(band, ns="IMAGERY", **tags)


def tagged(out: Any, band: int) -> None:
    tags = {"Wavelength": str(490 + 10 * band), "wavelength_units": "Nanometers", "FWHM": "6"}
    out.update_tags(band, **tags)


def described(out: Any, band: int) -> None:
    out.set_band_description(band, f"Band {band} ({490 + 10 * band}.0 nm)")


def numbered(out: Any, band: int) -> None:
    out.set_band_description(band, f"{490 + 10 * band}.0")


LISTS = {"wavelength": "{500, 510, 520}", "wavelength_units": "nm", "fwhm": "6, 6, 6"}


@pytest.mark.parametrize(
    ("tags", "by_band", "width"),
    [({}, central, 6), ({}, tagged, 6), ({}, described, 10), ({}, numbered, 10), (LISTS, None, 6)],
    ids=["central", "tagged", "described", "numbered", "lists"],
)
def test_wavelengths_of_the_file(
    tmp_path: Path, tags: dict[str, str], by_band: Callable[[Any, int], None] | None, width: float
) -> None:
    capture = describe(tif(tmp_path / "a.tif", some(), tags, by_band), Sensor())
    np.testing.assert_allclose(capture.wavelength_nm, [500, 510, 520], rtol=1e-12)
    np.testing.assert_allclose(capture.fwhm_nm, [width] * 3, rtol=1e-12)


def test_settings_are_looked_for_among_the_tags(tmp_path: Path) -> None:
    tags = {"shutter": "2400", "gain": "2", "acquisition_start": "2026-06-01T10:00:00Z"}
    keys = HeaderKeys.model_validate({"exposure time": {"key": "shutter", "unit": "us"}})
    sensor = Sensor(header_keys=keys, wavelength_nm=(500.0, 510.0, 520.0))
    found = describe(tif(tmp_path / "a.tif", some(), tags), sensor).settings
    assert (found.exposure_ms, found.gain, found.start_s) == (2.4, 2, 1780308000)


def netcdf(path: Path, counts: NDArray[Any], **variables: Any) -> Path:
    with netCDF4.Dataset(path, "w") as out:
        for name, size in zip(("wavelength", "line", "sample"), counts.shape, strict=True):
            out.createDimension(name, size)
        out.createVariable("counts", counts.dtype, ("wavelength", "line", "sample"))[:] = counts
        nm = out.createVariable("wavelength", "f8", ("wavelength",))
        nm[:], nm.units = [500, 510, 520], "nm"
        for name, (axes, values) in variables.items():
            out.createVariable(name, "f8", axes)[:] = values
    return path


def test_a_netcdf_has_its_rows_in_order(tmp_path: Path) -> None:
    # Without coordinates GDAL would turn the rows around.
    counts = some().transpose(1, 0, 2).copy()
    latitude = (("line", "sample"), np.zeros((7, 5)))
    for number, more in enumerate(({}, {"latitude": latitude}, {"line": (("line",), range(7))})):
        capture = describe(netcdf(tmp_path / f"{number}.nc", counts, **more), Sensor())
        with open_capture(capture) as cube:
            np.testing.assert_array_equal(cube.lines(0, 7), counts.transpose(1, 0, 2))
        assert capture.wavelength_nm.tolist() == [500, 510, 520]


# -- refusals


def scaled(path: Path) -> None:
    def scale(out: Any, band: int) -> None:
        out.scales = (0.1,) * 3

    tif(path, some(), by_band=scale)


def vrt(path: Path) -> None:
    inner = tif(path.with_name("inner.tif"), some())
    path.write_text(
        '<VRTDataset rasterXSize="5" rasterYSize="7"><VRTRasterBand dataType="UInt16" band="1">'
        f"<SimpleSource><SourceFilename>{inner}</SourceFilename></SimpleSource>"
        "</VRTRasterBand></VRTDataset>"
    )


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda p: p.write_text("line,time_utc\n0,1\n" * 99), "text; expected a raster"),
        (lambda p: p.write_text("é" * 400), "text; expected a raster"),
        (vrt, "text; expected a raster"),
        (lambda p: p.write_bytes(b""), "the file is empty"),
        (lambda p: p.write_bytes(bytes(range(256)) * 9), "cannot be read as a raster"),
        (lambda p: os.mkfifo(p), "a pipe; expected a regular file"),
        (scaled, r"its values are scaled \(scale 0\.1, offset 0\)"),
        (lambda p: tif(p, some().astype("complex64")), "its bands are complex64"),
        (lambda p: tif(p, some(shape=(7, 2, 5))), "sensor.wavelength_nm: 3 values, but .* 2 bands"),
        (lambda p: None, "no such file"),
    ],
)
@pytest.mark.timeout(20)
def test_refused_rasters(tmp_path: Path, make: Callable[[Path], None], message: str) -> None:
    path = tmp_path / "strip-00.tif"
    make(path)
    with pytest.raises((InputError, ConfigError), match=message) as caught:
        describe(path, CENTRES)
    assert "\n" not in str(caught.value)


def test_a_raster_without_wavelengths(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no wavelengths.*Give sensor\.wavelength_nm"):
        describe(tif(tmp_path / "a.tif", some()), Sensor())


def test_a_raster_cut_short_is_refused_where_it_ends(tmp_path: Path) -> None:
    # A copy has its directory first and its counts last.
    rasterio.shutil.copy(tif(tmp_path / "b.tif", some(shape=(64, 3, 50))), tmp_path / "a.tif")
    path = tmp_path / "a.tif"
    os.truncate(path, path.stat().st_size - 4000)
    with (
        open_capture(describe(path, CENTRES)) as cube,
        pytest.raises(InputError, match=r"a\.tif: lines 0 to 64 cannot be read"),
    ):
        cube.lines(0, 64)


@pytest.mark.parametrize("value", [1e-9 + 0.1, 2.0**24 + 1])
def test_counts_that_float32_would_round(tmp_path: Path, value: float) -> None:
    counts = some("float64")
    counts[3, 1, 2] = value
    counts[0, 0, 0] = np.nan
    with (
        open_capture(describe(tif(tmp_path / "a.tif", counts), CENTRES)) as cube,
        pytest.raises(InputError, match="line 3 has a count of"),
    ):
        cube.lines(1, 7)


def test_a_change_while_open(tmp_path: Path) -> None:
    path = tif(tmp_path / "a.tif", some())
    cube = open_capture(describe(path, CENTRES)).__enter__()
    os.utime(path, ns=(1, 1))
    with pytest.raises(InputError, match="changed while it was read"):
        cube.__exit__(None, None, None)
    tif(path, some(shape=(9, 3, 5)))
    reader = open_capture(describe(path, CENTRES))
    tif(path, some())
    with pytest.raises(InputError, match="changed while it was read"):
        reader.__enter__()


def folder_of(path: Path, frames: list[NDArray[Any]]) -> Path:
    path.mkdir()
    for line, frame in enumerate(frames):
        tif(path / f"{line}.tif", frame[:, None, :])
    return path


BANDS = Frames(rows="bands")


def test_frames_unlike_the_first(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "s", [np.ones((3, 5), np.uint16), np.ones((3, 4), np.uint16)])
    with (
        open_capture(describe(folder, CENTRES, BANDS)) as cube,
        pytest.raises(InputError, match=r"s/1\.tif: unlike the first frame, 0\.tif"),
    ):
        cube.lines(0, 2)


def test_refused_frames(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "s", [np.ones((3, 5), np.uint16)])
    with pytest.raises(ConfigError, match=r"flight\.frames: .*s is a folder"):
        describe(folder, CENTRES)
    with pytest.raises(InputError, match=r"no file that matches '\*\.png'"):
        describe(folder, CENTRES, Frames(files="*.png", rows="bands"))
    tif(folder / "0.tif", some())
    with pytest.raises(InputError, match=r"0\.tif: 3 bands; expected one"):
        describe(folder, CENTRES, BANDS)


def test_a_frame_gone_or_changed_while_open(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "s", [np.ones((3, 5), np.uint16)] * 3)
    reader = open_capture(describe(folder, CENTRES, BANDS))
    with pytest.raises(InputError, match=r"s/1\.tif: changed while it was read"), reader:
        os.utime(folder / "1.tif", ns=(1, 1))
    (folder / "2.tif").unlink()
    with pytest.raises(InputError, match=r"s/2\.tif: cannot be read"), reader:
        pass


def test_names(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "strip.07", [np.ones((3, 5), np.uint16)])
    assert capture_name(folder) == "strip.07"
    assert capture_name(tmp_path / "strip-00.tif") == "strip-00"
    assert capture_name(tmp_path / "strip-00.raw.hdr") == "strip-00"
