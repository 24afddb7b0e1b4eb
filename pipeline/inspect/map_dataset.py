"""The map of a run as a lazy dataset, for notebooks."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.inspect.map_export import ORIENTATION, UNSEEN_FLAGS, WINDOW, nearest_bands
from pipeline.inspect.map_strips import OpenStrips, Seen, lay_out
from pipeline.radiometry.grid import Window

if TYPE_CHECKING:
    import xarray as xr


class HasFolder(Protocol):
    """What `pipeline.run` gives back."""

    @property
    def folder(self) -> Path: ...


def map(
    run: HasFolder | str | Path,
    *,
    wavelength_nm: Sequence[float] = (),
    step_m: float | None = None,
) -> xr.Dataset:
    """All strips of a run laid on the ground, computed when they are asked for.

    Parameters
    ----------
    run : a finished run, or its folder
    wavelength_nm : of the bands, each the nearest; all where empty
    step_m : side of a cell; the width of a sample on the ground where None, rounded to two digits

    Returns
    -------
    xarray.Dataset of `reflectance` and `reflectance_uncertainty` (wavelength, y, x), float32, NaN
    where blank or unseen; `quality_flag` (wavelength, y, x), 255 where unseen; `strip` (y, x), the
    number of the strip from 1 and 0 where unseen, whose names are in `flag_meanings`. Each is
    dask-backed and has the very cells that `reflectory export RUN map` writes; `x` and `y` are the
    cells' middles in the UTM zone that `spatial_ref` describes as CF asks. For orientation, not
    for survey: flat ground, the track as it is. The run's files stay open as long as it is used.

    Raises
    ------
    InputError
        No run, no positions, or no band near a wavelength.
    """
    import xarray as xr

    folder = Path(run if isinstance(run, str | os.PathLike) else run.folder)
    plan = lay_out(folder, step_m)
    bands = nearest_bands(plan.facts.wavelength_nm, wavelength_nm)
    strips = OpenStrips(plan)
    x, y = plan.grid.centres(Window(0, 0, plan.grid.rows, plan.grid.columns))
    lazy = _Lazy(strips, bands)
    variables: dict[str, Any] = {
        name: xr.Variable(
            ("wavelength", "y", "x"),
            lazy.values(name),
            {k: v for k, v in attributes.items() if k in _KEPT} | {"grid_mapping": "spatial_ref"},
        )
        for name, attributes in plan.facts.variables.items()
    }
    names = [strip.name for strip in plan.strips]
    variables["strip"] = xr.Variable(
        ("y", "x"),
        lazy.strip_numbers(),
        {
            "long_name": "number of the strip that saw the cell nearest to straight down",
            "flag_values": np.arange(1, len(names) + 1, dtype=np.uint16),
            "flag_meanings": " ".join(name.replace(" ", "_") for name in names),
            "grid_mapping": "spatial_ref",
        },
    )
    metre = {"units": "m"}
    coordinates = {
        "wavelength": ("wavelength", plan.facts.wavelength_nm[bands], {"units": "nm"}),
        "x": ("x", x[0], metre | {"standard_name": "projection_x_coordinate"}),
        "y": ("y", y[:, 0], metre | {"standard_name": "projection_y_coordinate"}),
        "spatial_ref": ((), 0, _reference(plan.epsg)),
    }
    about = {"comment": f"{ORIENTATION}.", "run": folder.name}
    return xr.Dataset(variables, coordinates, about)


#: Attributes of a cube's variable that hold on the map too.
_KEPT = ("long_name", "standard_name", "units", "comment", "references", "flag_masks",
         "flag_meanings", "ancillary_variables")  # fmt: skip


def _reference(epsg: int) -> dict[str, Any]:
    from pyproj import CRS

    attributes: dict[str, Any] = CRS.from_epsg(epsg).to_cf()
    return attributes


class _Lazy:
    """Blocks of a map as dask sees them: the cells' samples, then their values by bands."""

    def __init__(self, strips: OpenStrips, bands: NDArray[np.intp]) -> None:
        from dask.delayed import delayed

        self._strips, self._bands = strips, bands
        grid = strips.plan.grid
        windows = list(grid.windows(WINDOW))
        across = -(-grid.columns // WINDOW)
        self._rows = [windows[i : i + across] for i in range(0, len(windows), across)]
        self._seen = {w: delayed(strips.seen, pure=False)(w) for w in windows}

    def values(self, name: str) -> Any:
        """A variable of (wavelength, y, x)."""
        attributes = self._strips.plan.facts.variables[name]
        fill = attributes["_FillValue"]
        kind = np.dtype(attributes["dtype"]) if fill is None else np.dtype(np.float32)

        def block(seen: Seen, first: int, inside: NDArray[np.intp]) -> NDArray[Any]:
            packed = np.full(
                (inside.size, *seen.strip.shape),
                UNSEEN_FLAGS if fill is None else fill,
                attributes["dtype"],
            )
            self._strips.values(name, seen, first, inside, packed)
            return packed if fill is None else _unpacked(packed, fill, attributes["scale_factor"])

        groups = [
            [
                [
                    self._block(block, (inside.size, w.rows, w.columns), kind, w, first, inside)
                    for w in row
                ]
                for row in self._rows
            ]
            for first, inside in self._strips.band_groups(name, self._bands)
        ]
        return self._joined(groups)

    def strip_numbers(self) -> Any:
        """The numbers of the strips, (y, x)."""

        def block(seen: Seen) -> NDArray[np.uint16]:
            return (seen.strip + 1).astype(np.uint16)

        kind = np.dtype(np.uint16)
        return self._joined(
            [[self._block(block, (w.rows, w.columns), kind, w) for w in row] for row in self._rows]
        )

    def _block(
        self, make: Any, shape: tuple[int, ...], kind: np.dtype[Any], window: Window, *more: Any
    ) -> Any:
        import dask.array as da
        from dask.delayed import delayed

        made = delayed(make, pure=False)(self._seen[window], *more)
        return da.from_delayed(made, shape, kind)  # type: ignore[no-untyped-call]

    def _joined(self, blocks: list[Any]) -> Any:
        import dask.array as da

        return da.block(blocks)  # type: ignore[no-untyped-call]


def _unpacked(packed: NDArray[Any], fill: Any, scale: Any) -> NDArray[np.float32]:
    values = packed.astype(np.float32) * np.float32(scale)
    values[packed == fill] = np.nan
    return values
