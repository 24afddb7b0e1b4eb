"""Which files `reflectory export` writes, and where: beside the run, never in it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pipeline.errors import InputError
from pipeline.inspect.finished_run import cube_name, cube_paths
from pipeline.write.run_record import RUN_JSON, read_run

if TYPE_CHECKING:
    from pipeline.progress.protocol import Progress

_TIFF = (".tif", ".tiff")


def folder_beside(run: Path) -> Path:
    """Where a run's exports go by default; a file more in the run itself would belie its checksums.

    `results/june/1f4cb7dc9c02-export` for the run `results/june/1f4cb7dc9c02`.
    """
    run = run.resolve()
    return run.with_name(f"{run.name}-export")


def require_free(target: Path) -> None:
    """InputError where an export would change a finished run, or write over what is no file."""
    if target.exists() and not (target.is_file() or target.is_dir()):
        raise InputError(
            "is a device, pipe or socket", where=target, do="Name a file or folder with --target"
        )
    for folder in (target.resolve(), *target.resolve().parents):
        if (folder / RUN_JSON).is_file():
            raise InputError(
                f"lies in the finished run {folder.name}, whose checksums would not hold any more",
                where=target,
                do="Name another place with --target",
            )


def quicklooks(run: Path, cube: str | None = None, target: Path | None = None) -> Iterator[Path]:
    """Write a true-colour GeoTIFF of each cube, or of one; the files, each as it is written.

    Parameters
    ----------
    run : folder of a finished run
    cube : name of the one cube; None for all
    target : folder of the files, made where absent; for one cube also a `.tif`

    Raises
    ------
    InputError
        No run, no such cube, or one file is asked for and there are several cubes.
    OutputError
        The target cannot be written.
    """
    from pipeline.inspect.quicklook import export_quicklook

    read_run(run)
    require_free(target or folder_beside(run))
    chosen = _chosen(run, cube)
    folder = target or folder_beside(run)
    one_file = folder.suffix.lower() in _TIFF and not folder.is_dir()
    if one_file and len(chosen) > 1:
        raise InputError(
            f"is one file, and the run has {len(chosen)} cubes",
            where=folder,
            do="Name a folder, or one cube with --cube",
        )
    for name, path in chosen.items():
        file = folder if one_file else folder / f"{name}.tif"
        export_quicklook(path, file)
        yield file


def _chosen(run: Path, cube: str | None) -> dict[str, Path]:
    """A run's cubes by name, or the one of them."""
    there = {cube_name(path): path for path in cube_paths(run)}
    if not there:
        raise InputError("has no cube file", where=run, do="Name the folder of a run")
    if cube is not None and cube not in there:
        raise InputError(f"no cube {cube!r}; this run has {', '.join(there)}", where=run)
    return {cube: there[cube]} if cube is not None else there


def cubes(
    run: Path,
    form: Literal["geotiff", "flat"],
    cube: str | None = None,
    target: Path | None = None,
    *,
    progress: Progress | None = None,
) -> Iterator[Path]:
    """Write all cubes of a run, or one, in another form; see `cube_export.export_cubes`."""
    from pipeline.inspect.cube_export import export_cubes

    read_run(run)
    folder = target or folder_beside(run)
    require_free(folder)
    return export_cubes(list(_chosen(run, cube).values()), folder, form, progress=progress)


def map_files(
    run: Path,
    target: Path | None = None,
    *,
    wavelength_nm: Sequence[float] = (),
    step_m: float | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Iterator[Path]:
    """Write the map of a run into a folder; see `map_export.export_map`."""
    from pipeline.inspect.map_export import export_map

    require_free(target or folder_beside(run))
    return export_map(
        run,
        target or folder_beside(run),
        wavelength_nm=wavelength_nm,
        step_m=step_m,
        workers=workers,
        progress=progress,
    )


def spectra(run: Path, regions: Path, target: Path | None = None) -> Path:
    """Write the spectra of a file's regions as CSV; the file written.

    Parameters
    ----------
    run : folder of a finished run
    regions : KML or GeoJSON of named polygons
    target : the CSV, or a folder that is there, for a file named after the regions'

    Raises
    ------
    InputError
        No run, no regions, or no sample in any of them.
    OutputError
        The target cannot be written.
    """
    from pipeline.inspect.region_spectra import export_spectra
    from pipeline.read.regions import read_regions

    read_run(run)
    file = target or folder_beside(run)
    require_free(file)
    if target is None or target.is_dir():
        file /= f"{regions.stem}-spectra.csv"
    export_spectra(run, read_regions(regions), file)
    return file
