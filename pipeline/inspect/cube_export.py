"""Finished cubes for programs that read neither netCDF nor Zarr, the packed values bit for bit.

A cube becomes a file for each of its large variables, a band a wavelength: a GeoTIFF, or flat
binary with a text header. Blocks of lines are copied as they lie; memory holds one of them.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError, OutputError, one_line
from pipeline.flags import QualityFlag, masks, meanings
from pipeline.inspect.finished_run import (
    UNREADABLE,
    StoredCube,
    StoredVariable,
    cube_name,
    on_globe,
    open_cube,
    step_of,
)
from pipeline.inspect.map_files import BandTags, describe, gdal
from pipeline.inspect.quicklook import control_points
from pipeline.progress.protocol import Progress, Silent
from pipeline.write import publish

Form = Literal["geotiff", "flat"]
#: Lines copied at once: the height of the cubes' chunks.
LINES_AT_ONCE = 64

#: Takes a block's first line and its values, (band, line, sample).
Put = Callable[[int, NDArray[Any]], None]


@dataclass(frozen=True)
class _Kind:
    """A large variable of a cube: what its file is called and what its bands are."""

    name: str
    suffix: str
    noun: str


_KINDS = (
    _Kind("reflectance", "reflectance", "reflectance factor"),
    _Kind("reflectance_uncertainty", "uncertainty", "standard uncertainty (k = 1)"),
    _Kind("quality_flag", "flags", "quality flags"),
)
#: Types of flat files by their numbers in the header.
_FLAT_TYPES = {"uint8": 1, "int16": 2, "uint16": 12}


@dataclass(frozen=True, eq=False)
class _Layer:
    """What is written of one variable, and what its file says."""

    path: Path
    dtype: np.dtype[Any]
    shape: tuple[int, ...]  # (band, line, sample)
    fill: int | None
    scale: float  # value = scale x packed
    bands: tuple[BandTags, ...]
    tags: Mapping[str, str]
    points: Sequence[Any]  # ground control points; none without positions


def export_cubes(
    cubes: Sequence[Path], folder: Path, form: Form, *, progress: Progress | None = None
) -> Iterator[Path]:
    """Write cubes in another form; their files, each as it stands.

    Parameters
    ----------
    cubes : finished cube files
    folder : of the files, made where absent: `STEM-reflectance`, and where the cube has them
        `STEM-uncertainty` and `STEM-flags`, as `.tif`, or as `.img` with its `.hdr`
    form : "geotiff", or "flat" for little-endian binary, interleaved by line, with a text header

    Raises
    ------
    InputError
        A cube is damaged.
    OutputError
        The files cannot be written.
    """
    progress = progress or Silent()
    with publish.staging(folder) as place, gdal(folder):
        for path in cubes:
            with open_cube(path) as cube:
                layers = [
                    _layer(cube, kind, place) for kind in _KINDS if kind.name in cube.variables
                ]
                if not layers:
                    raise InputError(
                        "is not a calibrated cube: no variable reflectance", where=path
                    )
                _require_space(layers, folder)
                steps = len(layers) * -(-layers[0].shape[1] // LINES_AT_ONCE)
                with progress.stage(cube_name(path), steps) as told:
                    for kind, layer in zip(_present(cube), layers, strict=True):
                        with _WRITERS[form](layer) as put:
                            for start, values in _blocks(path, cube.variables[kind.name]):
                                put(start, values)
                                told(1)
                        for file in _files(layer, form):
                            yield _moved(file, folder)


def _present(cube: StoredCube) -> list[_Kind]:
    return [kind for kind in _KINDS if kind.name in cube.variables]


def _blocks(path: Path, variable: StoredVariable) -> Iterator[tuple[int, NDArray[Any]]]:
    """Blocks of lines with the first line of each, as they are packed."""
    for start in range(0, variable.shape[1], LINES_AT_ONCE):
        try:
            values = variable.read(slice(None), slice(start, start + LINES_AT_ONCE))
        except UNREADABLE as error:
            raise InputError(
                f"{variable.name} cannot be read: {one_line(error)}",
                where=path,
                do="Run reflectory verify on its run",
            ) from error
        yield start, values


def _layer(cube: StoredCube, kind: _Kind, place: Path) -> _Layer:
    try:
        variable = cube.variables[kind.name]
        wavelength, fwhm = (
            cube.variables[name].read().astype(np.float64) for name in ("wavelength", "fwhm")
        )
        if variable.dimensions != ("wavelength", "line", "sample"):
            raise ValueError(f"{kind.name} is not over wavelength, line and sample")
        unit = str(variable.attributes.get("units", ""))
        return _Layer(
            place / f"{cube_name(cube.path)}-{kind.suffix}",
            variable.dtype,
            variable.shape,
            None if variable.fill is None else int(str(variable.fill)),
            step_of(variable.attributes),
            tuple(
                BandTags(f"{kind.noun} {nm:.1f} nm", unit, float(nm), float(width))
                for nm, width in zip(wavelength, fwhm, strict=True)
            ),
            _tags(cube, kind),
            _points(cube),
        )
    except UNREADABLE as error:
        raise InputError(
            f"cannot be read: {one_line(error)}",
            where=cube.path,
            do="Run reflectory verify on its run",
        ) from error


def _tags(cube: StoredCube, kind: _Kind) -> dict[str, str]:
    flight = one_line(cube.attributes.get("flight", ""))
    tags = {
        "TIFFTAG_IMAGEDESCRIPTION": f"{kind.noun} of {one_line(cube_name(cube.path))}, {flight}",
        "flight": flight,
        "run_id": one_line(cube.attributes.get("run_id", "")),
        "references": "Schaepman-Strub et al. 2006, doi 10.1016/j.rse.2006.03.002",
    }
    if kind.name == "quality_flag":
        tags |= {
            "flag_masks": ", ".join(map(str, masks(QualityFlag))),
            "flag_meanings": meanings(QualityFlag),
        }
    return tags


def _points(cube: StoredCube) -> Sequence[Any]:
    if not {"latitude", "longitude"} <= cube.variables.keys():
        return ()
    latitude, longitude = on_globe(
        cube.variables["latitude"].read(), cube.variables["longitude"].read(), cube.path
    )
    if np.isfinite(latitude + longitude).all(axis=1).sum() < 2 or latitude.shape[1] < 2:
        return ()
    return control_points(latitude, longitude, cube.path)


def _require_space(layers: Sequence[_Layer], folder: Path) -> None:
    needed = sum(int(np.prod(layer.shape)) * layer.dtype.itemsize for layer in layers)
    free = shutil.disk_usage(folder).free
    if needed > free:
        raise OutputError(
            f"has {free / 1e9:.1f} GB free, and a cube needs up to {needed / 1e9:.1f} GB",
            where=folder,
            do="Name another place with --target",
        )


def _files(layer: _Layer, form: Form) -> list[Path]:
    """A layer's files; the header, which makes the other one readable, last."""
    suffixes = (".tif",) if form == "geotiff" else (".img", ".hdr")
    return [layer.path.with_name(layer.path.name + suffix) for suffix in suffixes]


def _moved(file: Path, folder: Path) -> Path:
    target = folder / file.name
    file.replace(target)
    return target


@contextmanager
def _geotiff(layer: _Layer) -> Iterator[Put]:
    import rasterio
    from rasterio.windows import Window

    bands, lines, samples = layer.shape
    [path] = _files(layer, "geotiff")
    places = {"gcps": layer.points, "crs": "EPSG:4326"} if layer.points else {}
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=samples,
        height=lines,
        count=bands,
        dtype=layer.dtype.name,
        nodata=layer.fill,
        interleave="band",
        blockysize=LINES_AT_ONCE,
        compress="DEFLATE",
        predictor=2,
        photometric="MINISBLACK",
        bigtiff="IF_SAFER",
        num_threads="ALL_CPUS",
        **places,
    ) as file:
        describe(file, layer.bands, layer.scale, layer.tags)

        def put(start: int, values: NDArray[Any]) -> None:
            file.write(values, window=Window(0, start, samples, values.shape[1]))

        yield put


@contextmanager
def _flat(layer: _Layer) -> Iterator[Put]:
    from spectral.io import envi

    data, header = _files(layer, "flat")
    with data.open("wb") as file:

        def put(start: int, values: NDArray[Any]) -> None:
            little = values.dtype.newbyteorder("<")
            file.write(np.ascontiguousarray(values.transpose(1, 0, 2), little).data)

        yield put
    envi.write_envi_header(str(header), _header(layer))


def _header(layer: _Layer) -> dict[str, Any]:
    """The header's keys; the scale is there twice, for readers look for it under either name."""
    bands, lines, samples = layer.shape
    told = {key: _in_header(text) for key, text in layer.tags.items()}
    header: dict[str, Any] = {
        "description": told.pop("TIFFTAG_IMAGEDESCRIPTION"),
        "samples": samples,
        "lines": lines,
        "bands": bands,
        "header offset": 0,
        "data type": _FLAT_TYPES[layer.dtype.name],
        "interleave": "bil",
        "byte order": 0,
    }
    if layer.scale != 1.0:
        header |= {
            "reflectance scale factor": f"{1 / layer.scale:.10g}",
            "data gain values": [f"{layer.scale:.10g}"] * bands,
            "data offset values": ["0"] * bands,
        }
    if layer.fill is not None:
        header["data ignore value"] = layer.fill
    return header | {
        "wavelength units": "Nanometers",
        "wavelength": [f"{band.wavelength_nm:.10g}" for band in layer.bands],
        "fwhm": [f"{band.fwhm_nm:.10g}" for band in layer.bands],
        "band names": [band.name for band in layer.bands],
        **{key.replace("_", " "): text for key, text in told.items() if text},
    }


def _in_header(text: str) -> str:
    """Text that ends no list of the header."""
    return text.translate(str.maketrans("{}", "()"))


_WRITERS: dict[Form, Callable[[_Layer], AbstractContextManager[Put]]] = {
    "geotiff": _geotiff,
    "flat": _flat,
}
