"""From a finished cube file to a picture on the map."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError, OutputError
from pipeline.inspect.export_files import LINES_AT_ONCE, opened, replacing
from pipeline.inspect.finished_run import on_globe
from pipeline.radiometry.angles import circular_mean, near
from pipeline.radiometry.preview import to_srgb, to_xyz, xyz_weights
from pipeline.records import Array, Mask

if TYPE_CHECKING:
    import xarray as xr

#: Percentile of luminance that the quicklook shows as white.
_WHITE_PERCENT = 99.0
#: Ground control points along the lines and the samples.
_CONTROL = (16, 5)


def export_quicklook(cube_file: Path, target: Path) -> None:
    """A true-colour GeoTIFF of one strip, for a map.

    Parameters
    ----------
    cube_file : a run's cube, netCDF or Zarr, with latitude and longitude
    target : the TIFF: uint8 red, green, blue in sRGB (D65, CIE 1931 2 degree observer), a mask
        for blank samples, and ground control points in EPSG:4326. Rows are lines. Not resampled,
        so that each pixel is a measured one; a map program warps it by its control points.

    Raises
    ------
    InputError
        The file is no cube of ours, has no positions, or its bands do not reach 430 to 670 nm.
    OutputError
        The target cannot be written.
    """
    with opened(cube_file) as cube:
        if "latitude" not in cube or "longitude" not in cube:
            raise InputError(
                "has no latitude and longitude, which a quicklook on the map needs",
                where=cube_file,
                do="Give the flight a track and sensor.ifov_mrad, and run it again",
            )
        weights = xyz_weights(np.asarray(cube["wavelength"].values, np.float64))
        if weights is None:
            raise InputError(
                "its bands do not reach from 430 to 670 nm, so it has no true colour",
                where=cube_file,
            )
        positions = on_globe(cube["latitude"].values, cube["longitude"].values, cube_file)
        points = control_points(*positions, cube_file)
        xyz = np.concatenate(
            [to_xyz(values, weights) for values in _blocks(cube["reflectance"])], axis=1
        )
    known = np.isfinite(xyz[1])
    white = float(np.percentile(xyz[1][known], _WHITE_PERCENT)) if known.any() else 1.0
    _write_tiff(target, to_srgb(xyz, max(white, 1e-6)), known, points)


def _blocks(values: xr.DataArray) -> Iterator[NDArray[np.float32]]:
    for start in range(0, values.sizes["line"], LINES_AT_ONCE):
        yield values[:, start : start + LINES_AT_ONCE].values


def control_points(latitude: Array, longitude: Array, where: Path) -> list[Any]:
    """Ground control points spread over the lines and samples that have a position."""
    from rasterio.control import GroundControlPoint

    # Across the 180th meridian a map tool needs points without a leap.
    longitude = near(longitude, circular_mean(longitude))
    known: Mask = np.isfinite(latitude) & np.isfinite(longitude)
    lines = np.flatnonzero(known.all(axis=1))
    if lines.size < 2 or latitude.shape[1] < 2:
        raise InputError("has fewer than two lines with a position", where=where)
    rows = np.unique(np.rint(np.linspace(0, lines.size - 1, _CONTROL[0])).astype(int))
    columns = np.unique(np.rint(np.linspace(0, latitude.shape[1] - 1, _CONTROL[1])).astype(int))
    return [
        # A pixel's middle is half a pixel from its corner, where rows and columns count from.
        GroundControlPoint(
            row=line + 0.5,
            col=sample + 0.5,
            x=float(longitude[line, sample]),
            y=float(latitude[line, sample]),
        )
        for line in lines[rows]
        for sample in columns
    ]


def _write_tiff(target: Path, rgb: NDArray[np.uint8], known: Mask, points: list[Any]) -> None:
    import rasterio
    from rasterio.errors import RasterioError

    with replacing(target) as beside:
        try:
            with (
                rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True),
                rasterio.open(
                    beside,
                    "w",
                    driver="GTiff",
                    count=3,
                    dtype="uint8",
                    height=rgb.shape[1],
                    width=rgb.shape[2],
                    photometric="RGB",
                    compress="deflate",
                    gcps=points,
                    crs="EPSG:4326",
                ) as tiff,
            ):
                tiff.write(rgb)
                tiff.write_mask(known)
        except RasterioError as error:
            raise OutputError(
                f"cannot be written: {error}", where=target, do="Look for space on the disk"
            ) from error
