"""What every export shares: an opened cube file, and a target that is there whole or not at all."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import InputError, OutputError, one_line
from pipeline.inspect.finished_run import UNREADABLE, open_cube, open_store
from pipeline.inspect.verify_cubes import undecodable
from pipeline.write.formats import FORMATS

if TYPE_CHECKING:
    import xarray as xr

#: Lines read at once; the height of the files' chunks.
LINES_AT_ONCE = 64


@contextmanager
def opened(path: Path) -> Iterator[xr.Dataset]:
    """A cube file, decoded and lazy, to be read within.

    Raises
    ------
    InputError
        It is not there, is no cube, or what is read of it is damaged.
    """
    import xarray as xr

    if not path.exists():
        raise InputError("no such cube file", where=path)
    zarr = path.name.endswith(FORMATS["zarr"].suffix)
    if zarr:
        # Before all of its arrays are asked for at once, which says more than one line if it fails.
        open_store(path)
    try:
        cube = (
            xr.open_dataset(path, engine="zarr", consolidated=False, decode_times=False)
            if zarr
            else xr.open_dataset(path, engine="netcdf4", decode_times=False)
        )
    except UNREADABLE as error:
        raise InputError(f"cannot be read: {one_line(error)}", where=path) from error
    with cube:
        if "reflectance" not in cube:
            raise InputError("is not a calibrated cube: no variable reflectance", where=path)
        try:
            yield cube
        except UNREADABLE as error:
            # Only where the file itself is at fault; a fault of the program must not be called so.
            damage = _damage(path)
            if not damage:
                raise
            raise InputError(damage, where=path, do="Run reflectory verify on its run") from error


def _damage(path: Path) -> str:
    try:
        with open_cube(path) as cube:
            return one_line(next(undecodable(cube), ""))
    except InputError as error:
        return error.what


@contextmanager
def replacing(target: Path) -> Iterator[Path]:
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
