"""From a finished run's cube files to what other programs take: a picture on the map, a table."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError, OutputError
from pipeline.flags import QualityFlag
from pipeline.radiometry.preview import to_srgb, to_xyz, xyz_weights
from pipeline.records import Array, Mask
from pipeline.write.formats import FORMATS

if TYPE_CHECKING:
    import xarray as xr
    from shapely import MultiPolygon, Polygon

#: Lines read at once; the height of the files' chunks.
_LINES = 64
#: Percentile of luminance that the quicklook shows as white.
_WHITE_PERCENT = 99.0
#: Ground control points along the lines and the samples.
_CONTROL = (16, 5)
#: Flags that leave a sample out of a region's mean: it has no sound value.
_LEFT_OUT = (QualityFlag.SATURATED, QualityFlag.BAD_ELEMENT, QualityFlag.NO_CALIBRATION)

COLUMNS = (
    "region", "wavelength_nm", "mean", "standard_deviation", "standard_uncertainty",
    "systematic_uncertainty", "samples", "left_out",
    *(f"left_out_{flag.name.lower()}" for flag in _LEFT_OUT if flag.name),
)  # fmt: skip


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
    with _opened(cube_file) as cube:
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
        points = _control_points(cube["latitude"].values, cube["longitude"].values, cube_file)
        xyz = np.concatenate(
            [to_xyz(values, weights) for values in _blocks(cube["reflectance"])], axis=1
        )
    known = np.isfinite(xyz[1])
    white = float(np.percentile(xyz[1][known], _WHITE_PERCENT)) if known.any() else 1.0
    _write_tiff(target, to_srgb(xyz, max(white, 1e-6)), known, points)


def export_spectra(
    run_folder: Path, regions: Mapping[str, Polygon | MultiPolygon], target: Path
) -> None:
    """A table of the mean spectrum of named regions over all strips of a run, as CSV.

    Parameters
    ----------
    run_folder : a finished run
    regions : polygons, x longitude and y latitude [degree]; a sample belongs to a region when its
        position lies inside
    target : the table, one row a region and band, columns `COLUMNS`. `mean` is reflectance over
        the samples without a left-out flag, `standard_deviation` their spread,
        `standard_uncertainty` that of the mean (k = 1): read and shot noise shrink with the number
        of samples, dark and relative response with the number of detector elements, and what the
        panels, the fit and the irradiance bring does not shrink: it is `systematic_uncertainty`.
        `left_out` counts the region's samples without a value in the mean, and the columns after
        it those with each flag. Cells are empty where there is no sample.

    Raises
    ------
    InputError
        The folder has no cube, the cubes have no positions, or no sample lies in any region.
    OutputError
        The target cannot be written.
    """
    suffixes = tuple(form.suffix for form in FORMATS.values())
    files = sorted(path for path in run_folder.iterdir() if path.name.endswith(suffixes)) \
        if run_folder.is_dir() else []  # fmt: skip
    if not files:
        raise InputError("has no cube file", where=run_folder, do="Name the folder of a run")
    if not regions:
        raise InputError("no region is given", where=run_folder)
    sums: dict[str, _Sums] = {}
    wavelength: Array | None = None
    for path in files:
        with _opened(path) as cube:
            if "latitude" not in cube or "longitude" not in cube:
                raise InputError(
                    "has no latitude and longitude, by which a region finds its samples",
                    where=path,
                    do="Give the flight a track and sensor.ifov_mrad, and run it again",
                )
            wavelength = np.asarray(cube["wavelength"].values, np.float64)
            for name, shape in regions.items():
                _add(sums.setdefault(name, _Sums(wavelength.size)), cube, shape)
    assert wavelength is not None
    if not any(s.inside for s in sums.values()):
        raise InputError(
            f"no sample lies in {', '.join(sums)}",
            where=run_folder,
            do="Check the regions' coordinates against the strips on the run's page",
        )
    rows = [row for name, s in sums.items() for row in _rows(name, wavelength, s)]
    _write_csv(target, rows)


class _Sums:
    """A region's sums so far; (band,) each but the last two."""

    def __init__(self, bands: int) -> None:
        self.count = np.zeros(bands)
        self.value = np.zeros(bands)  # of reflectance
        self.square = np.zeros(bands)
        self.random = np.zeros(bands)  # of the variance that read and shot noise bring
        self.element = np.zeros(bands)  # of the variance that dark and relative response bring
        self.scaled = np.zeros(bands)  # of signal over irradiance ratio [count]
        self.illumination = np.zeros(bands)  # of the uncertainty that the irradiance ratio brings
        self.left_out = np.zeros((len(_LEFT_OUT), bands), np.int64)  # by flag
        # The fit's variances and covariance, common to all cubes of a run.
        self.gain2 = np.zeros(bands)
        self.offset2 = np.zeros(bands)
        self.covariance = np.zeros(bands)
        self.elements: set[int] = set()  # samples of the swath that were seen
        self.inside = 0  # samples in the region


def _add(sums: _Sums, cube: xr.Dataset, shape: Polygon | MultiPolygon) -> None:
    """Add a cube's samples that lie in a region."""
    import shapely

    latitude, longitude = cube["latitude"].values, cube["longitude"].values
    inside = shapely.contains_xy(shape, longitude, latitude)
    lines = np.flatnonzero(inside.any(axis=1))
    if not lines.size:
        return
    band = {n: np.asarray(cube[n].values, np.float64)[:, None] for n in _BAND_VARIABLES}
    element = {n: np.asarray(cube[n].values, np.float64) for n in _ELEMENT_VARIABLES}
    ratio = np.asarray(cube["irradiance_ratio"].values, np.float64)
    ratio_u = np.asarray(cube["irradiance_ratio_uncertainty"].values, np.float64)
    k = float(cube["electrons_per_count"])
    sums.gain2 = band["empirical_gain_uncertainty"][:, 0] ** 2
    sums.offset2 = band["empirical_offset_uncertainty"][:, 0] ** 2
    sums.covariance = band["empirical_gain_offset_covariance"][:, 0]
    for start in range(int(lines[0]), int(lines[-1]) + 1, _LINES):
        part = slice(start, start + _LINES)
        line, sample = np.nonzero(inside[part])
        if not line.size:
            continue
        reflectance = cube["reflectance"][:, part].values[:, line, sample].astype(np.float64)
        flags = cube["quality_flag"][:, part].values[:, line, sample]
        q, q_u = ratio[part][line], ratio_u[part][line]
        at = {name: values[:, sample] for name, values in element.items()}
        slope = band["empirical_gain"] / q
        scaled = (reflectance - band["empirical_offset"]) / band["empirical_gain"]
        signal = scaled * q
        response = at["relative_response"]
        shot2 = np.maximum(signal * response, 0) / k if np.isfinite(k) else 0.0
        random = (slope / response) ** 2 * (at["dark_noise"] ** 2 + shot2)
        of_element = (slope / response) ** 2 * (
            at["dark_mean_uncertainty"] ** 2 + (signal * at["relative_response_uncertainty"]) ** 2
        )
        lit = np.abs(band["empirical_gain"] * scaled) * q_u / q
        bits = np.uint8(sum(_LEFT_OUT))
        good = ((flags & bits) == 0) & np.isfinite(reflectance)
        for total, values in (
            (sums.count, np.ones_like(reflectance)),
            (sums.value, reflectance),
            (sums.square, reflectance**2),
            (sums.random, random),
            (sums.element, of_element),
            (sums.scaled, scaled),
            (sums.illumination, lit),
        ):
            total += np.where(good, values, 0).sum(axis=1)
        sums.left_out += np.stack([((flags & np.uint8(f)) != 0).sum(axis=1) for f in _LEFT_OUT])
        sums.elements.update(sample.tolist())
        sums.inside += line.size


_BAND_VARIABLES = (
    "empirical_gain", "empirical_offset", "empirical_gain_uncertainty",
    "empirical_offset_uncertainty", "empirical_gain_offset_covariance",
)  # fmt: skip
_ELEMENT_VARIABLES = (
    "relative_response", "relative_response_uncertainty", "dark_noise", "dark_mean_uncertainty",
)  # fmt: skip


def _rows(name: str, wavelength_nm: Array, sums: _Sums) -> Iterator[tuple[Any, ...]]:
    n = sums.count
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = sums.value / n
        spread = np.sqrt(np.maximum(sums.square - n * mean**2, 0) / (n - 1))
        scaled = sums.scaled / n
        systematic = (
            scaled**2 * sums.gain2
            + sums.offset2
            + 2 * scaled * sums.covariance
            + (sums.illumination / n) ** 2
        )
        shrinking = sums.random / n**2 + sums.element / n / max(len(sums.elements), 1)
        total = np.sqrt(np.maximum(systematic, 0) + shrinking)
        systematic = np.sqrt(np.maximum(systematic, 0))
    for b, nm in enumerate(wavelength_nm):
        values = (_cell(v[b]) for v in (mean, spread, total, systematic))
        yield (
            name,
            f"{nm:.10g}",
            *values,
            int(n[b]),
            sums.inside - int(n[b]),
            *(int(c) for c in sums.left_out[:, b]),
        )


def _cell(value: float) -> str:
    return f"{value:.6g}" if np.isfinite(value) else ""


@contextmanager
def _opened(path: Path) -> Iterator[xr.Dataset]:
    """A cube file, decoded and lazy."""
    import xarray as xr

    if not path.exists():
        raise InputError("no such cube file", where=path)
    zarr = path.name.endswith(FORMATS["zarr"].suffix)
    try:
        cube = (
            xr.open_dataset(path, engine="zarr", consolidated=False, decode_times=False)
            if zarr
            else xr.open_dataset(path, engine="netcdf4", decode_times=False)
        )
    except (OSError, ValueError) as error:
        raise InputError(f"cannot be read: {error}", where=path) from error
    with cube:
        if "reflectance" not in cube:
            raise InputError("is not a calibrated cube: no variable reflectance", where=path)
        yield cube


def _blocks(values: xr.DataArray) -> Iterator[NDArray[np.float32]]:
    for start in range(0, values.sizes["line"], _LINES):
        yield values[:, start : start + _LINES].values


def _control_points(latitude: Array, longitude: Array, where: Path) -> list[Any]:
    """Ground control points spread over the lines and samples that have a position."""
    from rasterio.control import GroundControlPoint

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


@contextmanager
def _replacing(target: Path) -> Iterator[Path]:
    """A place beside the target for its content; the target's folder is made where absent."""
    beside = target.with_name(f".{target.name}.part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        beside.touch()
        yield beside
        beside.replace(target)
    except OSError as error:
        reason = (
            f"{target.parent} is no folder"
            if isinstance(error, FileExistsError | NotADirectoryError)
            else error.strerror or error
        )
        raise OutputError(
            f"cannot be written: {reason}", where=target, do="Name another place with --target"
        ) from error
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)


def _write_tiff(target: Path, rgb: NDArray[np.uint8], known: Mask, points: list[Any]) -> None:
    import rasterio
    from rasterio.errors import RasterioError

    with _replacing(target) as beside:
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


def _write_csv(target: Path, rows: list[tuple[Any, ...]]) -> None:
    with (
        _replacing(target) as beside,
        beside.open("w", encoding="utf-8", newline="") as file,
    ):
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        writer.writerows(rows)
