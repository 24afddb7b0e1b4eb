"""GeoTIFFs of a map: written in windows beside, then laid out for the cloud by GDAL's own driver.

That driver writes a whole file from another one, so each map is on the disk twice for a while:
first plain, without a byte for windows that no strip saw, then as it stays. Overviews are made in
the plain file, band beside band: the driver's own hold all bands in a tile, and inflate and
deflate it again for each of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import OutputError, one_line
from pipeline.radiometry.grid import Grid, Window

#: Bytes of blocks that GDAL keeps, so that memory does not follow the machine's.
CACHE_MB = 256
#: Side of a tile at the most [cell], and bytes that its bands may have together: GDAL's driver
#: lays the bands of a cell side by side, and a reader of one band reads them all.
_TILE, _LEAST_TILE, _TILE_BYTES = 512, 128, 12 * 2**20


@dataclass(frozen=True)
class BandTags:
    """What a GIS shows of a band."""

    name: str
    unit: str = ""
    wavelength_nm: float | None = None
    fwhm_nm: float | None = None


@dataclass(frozen=True)
class Layer:
    """One GeoTIFF of a map."""

    dtype: str
    fill: int  # of cells that no strip saw
    bands: tuple[BandTags, ...]
    resampling: str  # of the overviews, as GDAL calls it
    scale: float = 1.0
    tags: Mapping[str, str] = field(default_factory=dict)


def tile_side(grid: Grid, bands: int, itemsize: int) -> int:
    """Side of a tile [cell], a power of 2: small where there are many bands, and small enough that
    a map of two tiles has an overview."""
    side = _TILE
    while side > _LEAST_TILE and (
        side * side * bands * itemsize > _TILE_BYTES or side * 2 > max(grid.rows, grid.columns)
    ):
        side //= 2
    return side


def overview_factors(grid: Grid, side: int) -> list[int]:
    """By what each overview is smaller, until one fits in a tile."""
    factors, factor = [], 1
    while max(grid.rows, grid.columns) > side * factor:
        factor *= 2
        factors.append(factor)
    return factors


def describe(file: Any, bands: Sequence[BandTags], scale: float, tags: Mapping[str, str]) -> None:
    """Say in a raster's tags what a GIS shows of it, and of each of its bands."""
    file.update_tags(**tags)
    if scale != 1.0:
        file.scales, file.offsets = [scale] * len(bands), [0.0] * len(bands)
    file.units = [band.unit for band in bands]
    for number, band in enumerate(bands, 1):
        file.set_band_description(number, band.name)
        if band.wavelength_nm is not None:
            file.update_tags(number, wavelength_nm=f"{band.wavelength_nm:.10g}")
            # As GDAL has programs expect it (its raster data model, domain IMAGERY).
            imagery = {"CENTRAL_WAVELENGTH_UM": f"{band.wavelength_nm / 1000:.10g}"}
            if band.fwhm_nm is not None:
                file.update_tags(number, fwhm_nm=f"{band.fwhm_nm:.10g}")
                imagery["FWHM_UM"] = f"{band.fwhm_nm / 1000:.10g}"
            file.update_tags(number, ns="IMAGERY", **imagery)


class MapRaster:
    """A layer in the making: takes windows in any order, from one thread."""

    def __init__(self, path: Path, grid: Grid, epsg: int, layer: Layer) -> None:
        import rasterio
        from rasterio import Affine

        self.path, self._grid, self._layer = path, grid, layer
        self._tile = tile_side(grid, len(layer.bands), np.dtype(layer.dtype).itemsize)
        self._file = rasterio.open(
            path,
            "w",
            driver="GTiff",
            width=grid.columns,
            height=grid.rows,
            count=len(layer.bands),
            dtype=layer.dtype,
            nodata=layer.fill,
            crs=f"EPSG:{epsg}",
            transform=Affine(grid.step_m, 0.0, grid.west, 0.0, -grid.step_m, grid.north),
            tiled=True,
            blockxsize=self._tile,
            blockysize=self._tile,
            interleave="band",
            photometric="MINISBLACK",
            sparse_ok=True,
            bigtiff="YES",
        )
        describe(self._file, layer.bands, layer.scale, layer.tags)

    def write(self, values: NDArray[Any], bands: Sequence[int], window: Window) -> None:
        """Some bands, counted from 0, of a window, (band, row, column)."""
        import rasterio.windows

        at = rasterio.windows.Window(window.column, window.row, window.columns, window.rows)
        self._file.write(values, [band + 1 for band in bands], window=at)

    def close(self) -> None:
        """Give the file back."""
        self._file.close()

    def finish(self, target: Path, threads: int) -> None:
        """Lay it out for the cloud under its own name, and remove what was beside."""
        import rasterio
        import rasterio.shutil

        self._file.close()
        factors = overview_factors(self._grid, self._tile)
        with (
            rasterio.Env(GDAL_TIFF_OVR_BLOCKSIZE=self._tile, SPARSE_OK_OVERVIEW="ON"),
            rasterio.open(self.path, "r+") as file,
        ):
            if factors:
                how = rasterio.enums.Resampling[self._layer.resampling.lower()]
                file.build_overviews(factors, how)
        rasterio.shutil.copy(
            self.path,
            target,
            driver="COG",
            compress="DEFLATE",
            level=6,
            predictor="YES",
            blocksize=self._tile,
            overviews="AUTO",
            overview_resampling=self._layer.resampling,
            num_threads=str(threads),
            bigtiff="IF_SAFER",
            sparse_ok=True,
        )
        self.path.unlink()


@contextmanager
def gdal(where: Path) -> Iterator[None]:
    """GDAL with bounded memory; its errors, and the system's, as an OutputError."""
    import rasterio
    from rasterio.errors import RasterioError

    try:
        with rasterio.Env(GDAL_CACHEMAX=CACHE_MB):
            yield
    except (RasterioError, OSError) as error:
        raise OutputError(
            f"cannot be written: {one_line(error)}", where=where, do="Look for space on the disk"
        ) from error
