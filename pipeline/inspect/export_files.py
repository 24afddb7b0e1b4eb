"""What every export shares: an opened cube file, and a target that is there whole or not at all."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import InputError, OutputError
from pipeline.write.formats import FORMATS

if TYPE_CHECKING:
    import xarray as xr

#: Lines read at once; the height of the files' chunks.
LINES_AT_ONCE = 64


@contextmanager
def opened(path: Path) -> Iterator[xr.Dataset]:
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
