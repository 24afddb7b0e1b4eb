"""A run as a map: reflectance by wavelength, its uncertainty, its flags, and which strip saw what.

First each window's cells find their samples, which is kept on the disk; then each variable is
gathered by groups of bands, so that a chunk of a cube is inflated once for as many cells as can
be. No more than a few windows and chunks are in memory, however large the flight.
"""

from __future__ import annotations

import os
import shutil
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError, OutputError
from pipeline.flags import QualityFlag, masks, meanings
from pipeline.inspect.finished_run import step_of
from pipeline.inspect.map_files import BandTags, Layer, MapRaster, gdal
from pipeline.inspect.map_strips import MapPlan, OpenStrips, Seen, lay_out, open_strips
from pipeline.progress.protocol import Progress, Silent
from pipeline.radiometry.grid import Window
from pipeline.records import Array
from pipeline.write import publish

#: Side of a window [cell].
WINDOW = 512
#: Value of flags where no strip saw the cell: all bits, which no sample has.
UNSEEN_FLAGS = 255
#: Bytes that say what a cell saw: its strip, int16, and the sample, int64.
_CELL_BYTES = 10
#: Bytes on the disk for each of a layer's: plain, its overviews, and laid out.
_DISK_SHARE = 2.7

ORIENTATION = (
    "For orientation, not for survey: strips laid on flat ground by the track, cell by cell the "
    "sample nearest to its middle, from the strip that saw it nearest to straight down"
)

_T = TypeVar("_T")
_R = TypeVar("_R")


@dataclass(frozen=True)
class _Variable:
    """A variable of the cubes that becomes a GeoTIFF."""

    name: str
    file: str
    noun: str
    resampling: str


_VARIABLES = (
    _Variable("reflectance", "map-reflectance.tif", "reflectance factor", "AVERAGE"),
    _Variable(
        "reflectance_uncertainty", "map-uncertainty.tif", "standard uncertainty (k = 1)", "NEAREST"
    ),
    _Variable("quality_flag", "map-flags.tif", "quality flags", "NEAREST"),
)
STRIP_FILE = "map-strip.tif"


def export_map(
    run: Path,
    folder: Path,
    *,
    wavelength_nm: Sequence[float] = (),
    step_m: float | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Iterator[Path]:
    """Write the map of a run; its files, each as it stands.

    Parameters
    ----------
    run : folder of a finished run
    folder : of the files, made where absent: `map-reflectance.tif`, `map-uncertainty.tif` and
        `map-flags.tif` with a band a wavelength, packed as in the cubes with scale and unit in the
        tags, and `map-strip.tif` with the strips' numbers from 1, 0 where none saw the cell
    wavelength_nm : of the bands, each the nearest; all where empty
    step_m : see `lay_out`
    workers : threads; all processors where None

    Raises
    ------
    InputError
        No run, no positions, or no band near a wavelength.
    OutputError
        The files cannot be written.
    """
    progress, workers = progress or Silent(), workers or os.cpu_count() or 1
    with progress.stage("strips", _cubes(run)) as told:
        plan = lay_out(run, step_m, told)
    bands = nearest_bands(plan.facts.wavelength_nm, wavelength_nm)
    with (
        publish.staging(folder) as place,
        gdal(folder),
        open_strips(plan) as strips,
        ThreadPoolExecutor(workers, thread_name_prefix="window") as pool,
        (place / "seen").open("w+b") as seen,
    ):
        work = _Work(plan, strips, place, seen.fileno(), pool, workers, progress)
        work.find()
        _require_space(plan, work.cells, bands.size, folder)
        for variable in _VARIABLES:
            if variable.name in plan.facts.variables:
                yield _moved(work.gather(variable, bands), folder)
        yield _moved(work.strip_numbers(), folder)


def _cubes(run: Path) -> int:
    from pipeline.inspect.finished_run import cube_paths

    return len(cube_paths(run)) if run.is_dir() else 0


def _moved(file: Path, folder: Path) -> Path:
    target = folder / file.name
    file.replace(target)
    return target


def _require_space(plan: MapPlan, cells: int, bands: int, folder: Path) -> None:
    size = max(np.dtype(v["dtype"]).itemsize for v in plan.facts.variables.values())
    needed, free = cells * bands * size * _DISK_SHARE, shutil.disk_usage(folder).free
    if needed > free:
        raise OutputError(
            f"has {free / 1e9:.1f} GB free, and a map of {bands} wavelengths needs up to "
            f"{needed / 1e9:.1f} GB in the making",
            where=folder,
            do="Choose fewer --wavelength, a longer --step, or another --target",
        )


def nearest_bands(wavelength_nm: Array, asked_nm: Sequence[float]) -> NDArray[np.intp]:
    """The bands nearest to wavelengths, in order and each once; all where none is asked for.

    Raises
    ------
    InputError
        A wavelength lies outside the bands by more than one of their steps.
    """
    if not asked_nm:
        return np.arange(wavelength_nm.size)
    step = float(np.diff(wavelength_nm).max()) if wavelength_nm.size > 1 else 10.0
    for nm in asked_nm:
        if not wavelength_nm[0] - step <= nm <= wavelength_nm[-1] + step:
            raise InputError(
                f"no band near {nm:g} nm; the cubes have {wavelength_nm[0]:.0f} to "
                f"{wavelength_nm[-1]:.0f} nm",
                where="--wavelength",
            )
    apart = np.abs(wavelength_nm[None, :] - np.asarray(asked_nm, np.float64)[:, None])
    return np.unique(apart.argmin(axis=1))


class _Work:
    """A map in the making."""

    def __init__(
        self,
        plan: MapPlan,
        strips: OpenStrips,
        place: Path,
        seen: int,
        pool: ThreadPoolExecutor,
        workers: int,
        progress: Progress,
    ) -> None:
        self.plan, self.strips, self.place = plan, strips, place
        self.pool, self.workers, self.progress = pool, workers, progress
        self.windows: list[Window] = []  # that any strip saw
        self.cells = 0  # that any strip saw
        self._seen = seen  # descriptor of the file that holds what each window saw

    def find(self) -> None:
        """Find what each cell saw, and keep it on the disk."""
        windows = list(self.plan.grid.windows(WINDOW))
        with self.progress.stage("cells", len(windows)) as told:
            for window, seen in self._ahead(self.strips.seen, windows):
                told(1)
                if not (seen.strip >= 0).any():
                    continue
                self.cells += int((seen.strip >= 0).sum())
                os.pwrite(self._seen, _bytes_of(seen), self._slot(len(self.windows)))
                self.windows.append(window)

    def _slot(self, number: int) -> int:
        return (
            number * WINDOW * WINDOW * (np.dtype(np.int16).itemsize + np.dtype(np.int64).itemsize)
        )

    def _recall(self, number: int) -> Seen:
        shape = (self.windows[number].rows, self.windows[number].columns)
        cells = shape[0] * shape[1]
        data = os.pread(self._seen, _CELL_BYTES * cells, self._slot(number))
        return Seen(
            np.frombuffer(data, np.int16, cells).reshape(shape),
            np.frombuffer(data, np.int64, cells, offset=2 * cells).reshape(shape),
        )

    def gather(self, variable: _Variable, bands: NDArray[np.intp]) -> Path:
        """One variable's GeoTIFF."""
        layer = _layer(self.plan, variable, bands)
        groups = list(self.strips.band_groups(variable.name, bands))
        numbers = range(len(self.windows))
        told_as, steps = variable.noun.split(" (")[0], len(numbers) * len(groups)
        with (
            self._raster(layer, variable.file) as raster,
            self.progress.stage(told_as, steps) as told,
        ):
            done = 0
            for first, inside in groups:

                def values(number: int, first: int = first, inside: Any = inside) -> NDArray[Any]:
                    seen = self._recall(number)
                    out = np.full((inside.size, *seen.strip.shape), layer.fill, layer.dtype)
                    self.strips.values(variable.name, seen, first, inside, out)
                    return out

                written = range(done, done + inside.size)
                for number, made in self._ahead(values, numbers):
                    raster.write(made, written, self.windows[number])
                    told(1)
                done += inside.size
        return self.place / variable.file

    def strip_numbers(self) -> Path:
        """The GeoTIFF of the strips' numbers, from 1."""
        names = {f"strip_{i}": s.name for i, s in enumerate(self.plan.strips, 1)}
        layer = Layer(
            "uint16", 0, (BandTags("number of the strip"),), "NEAREST",
            tags=_tags(self.plan, "strip that each cell is from") | names,
        )  # fmt: skip
        with self._raster(layer, STRIP_FILE) as raster:
            for number, window in enumerate(self.windows):
                made = (self._recall(number).strip + 1).astype(np.uint16)
                raster.write(made[None], (0,), window)
        return self.place / STRIP_FILE

    @contextmanager
    def _raster(self, layer: Layer, name: str) -> Iterator[MapRaster]:
        """A layer to fill; on leaving it is laid out under its name in the staging folder."""
        raster = MapRaster(self.place / "plain.tif", self.plan.grid, self.plan.epsg, layer)
        try:
            yield raster
        except BaseException:
            raster.close()
            raise
        self.progress.event("laid out for the cloud", file=name)
        raster.finish(self.place / name, self.workers)

    def _ahead(self, work: Callable[[_T], _R], items: Iterable[_T]) -> Iterator[tuple[_T, _R]]:
        """Results in the order of the items, a few of them in the making at a time."""
        waiting: deque[tuple[_T, Future[_R]]] = deque()
        for item in items:
            waiting.append((item, self.pool.submit(work, item)))
            if len(waiting) > self.workers + 1:
                first, future = waiting.popleft()
                yield first, future.result()
        for first, future in waiting:
            yield first, future.result()


def _bytes_of(seen: Seen) -> bytes:
    return seen.strip.tobytes() + seen.source.tobytes()


def _layer(plan: MapPlan, variable: _Variable, bands: NDArray[np.intp]) -> Layer:
    attributes = plan.facts.variables[variable.name]
    fill = attributes["_FillValue"]
    tags = _tags(plan, variable.noun)
    if fill is None:
        tags |= {
            "flag_masks": ", ".join(map(str, masks(QualityFlag))),
            "flag_meanings": meanings(QualityFlag),
        }
    described = tuple(
        BandTags(
            f"{variable.noun} {plan.facts.wavelength_nm[b]:.1f} nm",
            str(attributes.get("units", "")),
            float(plan.facts.wavelength_nm[b]),
            float(plan.facts.fwhm_nm[b]),
        )
        for b in bands
    )
    return Layer(
        np.dtype(attributes["dtype"]).name,
        UNSEEN_FLAGS if fill is None else int(fill),
        described,
        variable.resampling,
        step_of(attributes),
        tags,
    )


def _tags(plan: MapPlan, noun: str) -> dict[str, str]:
    attributes = plan.facts.attributes
    accuracy = attributes.get("position_accuracy")
    return {
        "AREA_OR_POINT": "Area",
        "TIFFTAG_IMAGEDESCRIPTION": f"{noun} of {attributes.get('flight', plan.run.name)}. "
        f"{ORIENTATION}.",
        "use": ORIENTATION,
        "flight": str(attributes.get("flight", "")),
        "run_id": str(attributes.get("run_id", plan.run.name)),
        "references": "Schaepman-Strub et al. 2006, doi 10.1016/j.rse.2006.03.002",
    } | ({"position_accuracy": str(accuracy)} if accuracy else {})
