"""The numbers of a run as a lazy dataset, for notebooks."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.cube import CubeTask, lines_of
from pipeline.calibrate.cube_tracks import cube_track
from pipeline.calibrate.ground_positions import extents, positions
from pipeline.calibrate.input_manifest import InputFile, require_unchanged
from pipeline.calibrate.kernel_tables import cube_task
from pipeline.calibrate.prepare import Preparation, prepare
from pipeline.config.flight import Config, load_config
from pipeline.errors import InputError
from pipeline.radiometry.kernel import calibrate_block
from pipeline.read.registry import open_capture
from pipeline.write.product import arrays_of
from pipeline.write.schema import DIMENSIONS, SCHEMA

if TYPE_CHECKING:
    import xarray as xr


def reflectance(
    config: Config | str | Path, cube: str | None = None, *, prepared: Preparation | None = None
) -> xr.Dataset:
    """A cube's reflectance, uncertainty and flags, computed when they are asked for.

    Parameters
    ----------
    config : a flight's TOML file, or what `load_config` made of it
    cube : the cube's stem; the first one where None
    prepared : darks, panels and fit from an earlier call of `pipeline.calibrate.prepare.prepare`

    Returns
    -------
    xarray.Dataset with the variables of a cube file, decoded; the large ones dask-backed in blocks
    of lines, (wavelength, line, sample). Blank samples are NaN. Nothing is written.

    Raises
    ------
    ReflectoryError
        As `pipeline.run`; InputError for a cube that the flight does not have.
    """
    import dask.array as da
    import xarray as xr

    if not isinstance(config, Config):
        config = load_config(config)
    prepared = prepared or prepare(config)
    config = prepared.config
    require_unchanged(prepared.inputs)
    captures = prepared.recording.by_name
    name = cube if cube is not None else next(iter(captures))
    if name not in captures:
        raise InputError(f"no usable cube {name!r}; there are {', '.join(captures)}")
    capture = captures[name]
    track = prepared.recording.track
    at = cube_track(track, prepared.recording.times[name]) if track else None
    where = positions(config, capture, at)
    known = extents(where, at, prepared.config.sensor)
    attributes: dict[str, object] = {"position_accuracy": known.accuracy} if known else {}
    task = cube_task(prepared, capture, Path(), attributes, where)

    product = task.product
    width = product.chunk[1]
    starts = range(0, product.lines, width)
    raw = prepared.inputs.by_path[capture.data]
    blocks = [_block(task, raw, start, min(start + width, product.lines)) for start in starts]
    variables: dict[str, Any] = {
        key: xr.Variable(product.dimensions_of(key), values, product.attributes_of(key))
        for key, values in product.values.items()
    }
    for key, dtype in product.packed.items():
        value_type = dtype if SCHEMA[key].packing is None else np.dtype(np.float32)
        parts = [
            da.from_delayed(  # type: ignore[no-untyped-call]
                _decoded(block, key),
                (product.bands, min(width, product.lines - start), product.samples),
                value_type,
            )
            for start, block in zip(starts, blocks, strict=True)
        ]
        kept = {
            k: v
            for k, v in product.attributes_of(key).items()
            if k not in ("scale_factor", "add_offset")
        }
        variables[key] = xr.Variable(
            DIMENSIONS,
            da.concatenate(parts, axis=1),  # type: ignore[no-untyped-call]
            kept,
        )
    coordinates = [n for n in ("wavelength", "time", "latitude", "longitude") if n in variables]
    dataset = xr.Dataset(variables).set_coords(coordinates)
    return xr.decode_cf(dataset, mask_and_scale=False)


def _block(task: CubeTask, file: InputFile, start: int, stop: int) -> Any:
    from dask.delayed import delayed

    return delayed(_calibrated, pure=True)(task, file, start, stop)


def _decoded(block: Any, name: str) -> Any:
    return block[name]


def _calibrated(task: CubeTask, file: InputFile, start: int, stop: int) -> dict[str, NDArray[Any]]:
    """The arrays of some lines, unpacked as a reader of the file would unpack them."""
    with open_capture(task.capture) as raw:
        counts = raw.lines(start, stop)
    # Long after the darks and panels were read, perhaps.
    require_unchanged([file])
    block = calibrate_block(
        counts[:, task.bands],
        task.table,
        lines_of(task, start, counts),
        uncertainty=task.product.uncertainty,
    )
    return {name: _unpacked(name, values) for name, values in arrays_of(block).items()}


def _unpacked(name: str, values: NDArray[Any]) -> NDArray[Any]:
    packing = SCHEMA[name].packing
    return values if packing is None else packing.unpacked(values)
