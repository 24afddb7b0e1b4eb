"""The same counts as GeoTIFF, netCDF or a folder of frames give the same cubes, bit for bit."""

from __future__ import annotations

import hashlib
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import netCDF4
import numpy as np
import pytest
import rasterio
from numpy.typing import NDArray

from pipeline.flight.lazy_dataset import reflectance
from pipeline.flight.run import RunResult, run

VARIABLES = ("reflectance", "reflectance_uncertainty", "quality_flag", "dark_mean",
             "empirical_gain", "time", "fwhm")  # fmt: skip
# The writers here have no place on earth to tell.
pytestmark = pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")

STEMS = ("strip-00", "strip-01", "cap-before", "cap-after")


def header(folder: Path, stem: str) -> dict[str, str]:
    """Keys and values of a header that the simulator wrote, read as plain text."""
    text = (folder / f"{stem}.hdr").read_text()
    pairs = (line.partition(" = ") for line in text.replace("{\n", "{").splitlines())
    return {key: value.strip("{} ") for key, equals, value in pairs if equals}


def settings(words: dict[str, str]) -> dict[str, str]:
    kept = ("exposure time", "frame period", "gain", "sensor temperature", "acquisition start")
    return {key: words[key] for key in kept}


def listed(words: dict[str, str], key: str) -> list[str]:
    return [text.strip() for text in words[key].split(",")]


def as_geotiff(folder: Path, stem: str, counts: NDArray[Any], **profile: Any) -> None:
    words = header(folder, stem)
    lines, bands, samples = counts.shape
    with rasterio.open(
        folder / f"{stem}.tif", "w", driver="GTiff", width=samples, height=lines, count=bands,
        dtype=counts.dtype.name, **profile,
    ) as out:  # fmt: skip
        out.write(counts.transpose(1, 0, 2))
        out.update_tags(**settings(words))
        columns = zip(listed(words, "wavelength"), listed(words, "fwhm"), strict=True)
        for band, (wavelength, width) in enumerate(columns, start=1):
            out.update_tags(band, wavelength=wavelength, wavelength_units="nm", fwhm=width)


def as_netcdf(folder: Path, stem: str, counts: NDArray[Any]) -> None:
    words = header(folder, stem)
    with netCDF4.Dataset(folder / f"{stem}.nc", "w") as out:
        for name, size in zip(("line", "wavelength", "sample"), counts.shape, strict=True):
            out.createDimension(name, size)
        axes = ("wavelength", "line", "sample")
        out.createVariable("counts", counts.dtype, axes)[:] = counts.transpose(1, 0, 2)
        wavelength = out.createVariable("wavelength", "f8", ("wavelength",))
        wavelength[:] = [float(text) for text in listed(words, "wavelength")]
        wavelength.units = "nm"
        out.fwhm = [float(text) for text in listed(words, "fwhm")]
        for key, value in settings(words).items():
            out.setncattr(key.replace(" ", "_"), value)


def as_frames(folder: Path, stem: str, counts: NDArray[Any], rows: str) -> None:
    words = header(folder, stem)
    (folder / stem).mkdir()
    for line, plane in enumerate(counts):
        frame = plane if rows == "bands" else plane.T
        with rasterio.open(
            folder / stem / f"frame-{line}.tif", "w", driver="GTiff", width=frame.shape[1],
            height=frame.shape[0], count=1, dtype=frame.dtype.name,
        ) as out:  # fmt: skip
            out.write(frame, 1)
            if line == 0:
                lists = {key: ", ".join(listed(words, key)) for key in ("wavelength", "fwhm")}
                out.update_tags(**settings(words), **lists, wavelength_units="nm")


def converted(flight: Any, write: Callable[..., None], suffix: str, more: str = "") -> Any:
    """The flight with every cube in another form, its flat binary files gone."""
    raw = flight.folder / "raw"
    for stem in STEMS:
        write(raw, stem, flight.counts(stem))
        for old in (".hdr", ".raw"):
            (raw / f"{stem}{old}").unlink()
    (raw / "manifest.sha256").unlink()
    flight.edit('"strip-*.hdr"', f'"strip-*{suffix}"').edit('"cap-*.hdr"', f'"cap-*{suffix}"')
    if more:
        flight.edit("[sensor]", more + "\n[sensor]")
    return flight


def stored(result: RunResult, stem: str) -> dict[str, NDArray[Any]]:
    with h5py.File(result.folder / f"{stem}.nc") as cube:
        return {name: cube[name][()] for name in VARIABLES}


def assert_same_cubes(found: RunResult, expected: RunResult) -> None:
    assert found.document["outcome"] == "whole"
    for stem in ("strip-00", "strip-01"):
        theirs = stored(expected, stem)
        for name, values in stored(found, stem).items():
            np.testing.assert_array_equal(values, theirs[name], err_msg=f"{stem} {name}")


def digests(result: RunResult) -> dict[str, str]:
    """SHA-256 of each input by its name, as the run's record has them."""
    entities = result.document["entity"]
    assert isinstance(entities, dict)
    rows = (row for key, row in entities.items() if "input/" in key)
    return {row["prov:label"]: row["reflectory:sha256"] for row in rows}


UNDERSCORED = """
[sensor.header_keys]
"exposure time" = "exposure_time"
"frame period" = "frame_period"
"sensor temperature" = "sensor_temperature"
"acquisition start" = "acquisition_start"
"""


@pytest.mark.parametrize(
    "profile",
    [{}, {"compress": "deflate", "tiled": True, "blockxsize": 32, "blockysize": 32},
     {"interleave": "pixel", "BIGTIFF": "YES"}],
    ids=["plain", "tiled", "by-pixel"],
)  # fmt: skip
def test_geotiff(plain_copy: Any, plain_run: RunResult, profile: dict[str, Any]) -> None:
    def write(*arguments: Any) -> None:
        as_geotiff(*arguments, **profile)

    result = run(converted(plain_copy, write, ".tif").config, workers=2)
    assert_same_cubes(result, plain_run)
    inputs = digests(result)
    path = plain_copy.folder / "raw" / "strip-00.tif"
    assert inputs["raw/strip-00.tif"] == hashlib.sha256(path.read_bytes()).hexdigest()


def test_netcdf(plain_copy: Any, plain_run: RunResult) -> None:
    flight = converted(plain_copy, as_netcdf, ".nc")
    flight.edit("[calibration]", UNDERSCORED + "\n[calibration]")
    assert_same_cubes(run(flight.config, workers=2), plain_run)


@pytest.mark.parametrize("rows", ["bands", "samples"])
def test_frames(plain_copy: Any, plain_run: RunResult, rows: str) -> None:
    def write(*arguments: Any) -> None:
        as_frames(*arguments, rows)

    more = f'[flight.frames]\nfiles = "*.tif"\nrows = "{rows}"'
    flight = converted(plain_copy, write, "", more)
    result = run(flight.config, workers=2)
    assert_same_cubes(result, plain_run)
    inputs = digests(result)
    # Oracle: coreutils, told the frames in the order of their lines.
    command = "sha256sum $(ls -v) | sha256sum"
    out = subprocess.run(
        ["bash", "-c", command], cwd=flight.folder / "raw" / "strip-00", capture_output=True,
        check=True, text=True,
    ).stdout  # fmt: skip
    assert inputs["raw/strip-00"] == out.split()[0]
    assert run(flight.config, workers=2).reused
    frame = flight.folder / "raw" / "strip-00" / "frame-7.tif"
    changed = bytearray(frame.read_bytes())
    changed[-20] ^= 1
    frame.write_bytes(bytes(changed))
    again = run(flight.config, workers=2)
    assert not again.reused, "a change in one frame is another flight"
    lazy = reflectance(flight.config, "strip-01")["reflectance"].values
    whole = stored(plain_run, "strip-01")["reflectance"].astype(np.float32)
    np.testing.assert_array_equal(np.isnan(lazy), whole == -32768)
