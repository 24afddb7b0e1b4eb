"""From a run's cube files to the mean spectra of regions, and their uncertainty."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.errors import InputError
from pipeline.flags import QualityFlag
from pipeline.foreign import in_table
from pipeline.inspect.budget import StoredQuantities
from pipeline.inspect.export_files import LINES_AT_ONCE, opened, replacing
from pipeline.inspect.finished_run import on_globe
from pipeline.radiometry.angles import circular_mean, near
from pipeline.radiometry.equation import (
    TERMS,
    TERMS_OF_FIT,
    FitVariance,
    Term,
    combined,
    variance_terms,
)
from pipeline.records import Array
from pipeline.write.formats import FORMATS

if TYPE_CHECKING:
    import xarray as xr
    from shapely import MultiPolygon, Polygon

#: Flags that leave a sample out of a region's mean: it has no sound value.
_UNSOUND = (
    QualityFlag.SATURATED,
    QualityFlag.BAD_ELEMENT,
    QualityFlag.NO_CALIBRATION,
    QualityFlag.NO_DATA,
)
#: ... and with them what leaves out a sample that is blank, and no other.
_LEFT_OUT = (*_UNSOUND, QualityFlag.BEYOND_PACKING)

COLUMNS = (
    "region", "strip", "wavelength_nm", "mean", "standard_deviation", "standard_uncertainty",
    "systematic_uncertainty", "samples", "left_out",
    *(f"left_out_{flag.name.lower()}" for flag in _LEFT_OUT if flag.name),
)  # fmt: skip


def export_spectra(
    run_folder: Path, regions: Mapping[str, Polygon | MultiPolygon], target: Path
) -> None:
    """A table of the mean spectrum of named regions in each strip that saw them, as CSV.

    Parameters
    ----------
    run_folder : a finished run
    regions : polygons, x longitude and y latitude [degree]; a sample belongs to a region when its
        position lies inside
    target : the table, one row a region, strip and band, columns `COLUMNS`: strips see the same
        ground under other light and from another side, and are not thrown together. `mean` is
        reflectance over the samples without a left-out flag, `standard_deviation` their spread,
        `standard_uncertainty` that of the mean (k = 1): read and shot noise shrink with the number
        of samples, dark and relative response with the number of detector elements, and what the
        panels, the fit and the irradiance bring does not shrink: it is `systematic_uncertainty`.
        `left_out` counts the region's samples without a value in the mean, and the columns after
        it those with each flag. Cells are empty where there is no
        sample; a region that no strip saw has rows without a strip.

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
    sums: dict[tuple[str, str], _Sums] = {}
    wavelength: Array | None = None
    for path in files:
        with opened(path) as cube:
            if "latitude" not in cube or "longitude" not in cube:
                raise InputError(
                    "has no latitude and longitude, by which a region finds its samples",
                    where=path,
                    do="Give the flight a track and sensor.ifov_mrad, and run it again",
                )
            positions = on_globe(cube["latitude"].values, cube["longitude"].values, path)
            wavelength = np.asarray(cube["wavelength"].values, np.float64)
            for name, shape in regions.items():
                of_strip = _Sums(wavelength.size)
                _add(of_strip, cube, shape, positions)
                if of_strip.inside:
                    sums[name, path.stem] = of_strip
    assert wavelength is not None
    if not sums:
        raise InputError(
            f"no sample lies in {', '.join(regions)}",
            where=run_folder,
            do="Check the regions' coordinates against the strips on the run's page",
        )
    for name in regions:
        if not any(region == name for region, _ in sums):
            sums[name, ""] = _Sums(wavelength.size)
    # Region by region, the strips of each in the order of their names.
    keys = [key for name in regions for key in sums if key[0] == name]
    rows = [row for key in keys for row in _rows(key, wavelength, sums[key])]
    _write_csv(target, rows)


class _Sums:
    """A region's sums in one strip so far; (band,) each but the last two."""

    def __init__(self, bands: int) -> None:
        self.count = np.zeros(bands)
        self.value = np.zeros(bands)  # of reflectance
        self.square = np.zeros(bands)
        self.sample = np.zeros(bands)  # of the variance that is each sample's own
        self.element = np.zeros(bands)  # of the variance that all lines of an element share
        self.shared = {name: np.zeros(bands) for name in TERMS}  # of each term's uncertainty
        self.scaled = np.zeros(bands)  # of signal over irradiance ratio [count]
        self.left_out = np.zeros((len(_LEFT_OUT), bands), np.int64)  # by flag
        self.fit: FitVariance | None = None  # common to all cubes of a run
        self.elements: set[int] = set()  # samples of the swath that were seen
        self.inside = 0  # samples in the region


def _add(
    sums: _Sums, cube: xr.Dataset, shape: Polygon | MultiPolygon, positions: tuple[Array, Array]
) -> None:
    """Add a cube's samples that lie in a region."""
    import shapely

    latitude, longitude = positions
    middle = circular_mean(longitude)
    if math.isnan(middle):
        return

    def moved(points: Array) -> Array:
        return np.column_stack([near(points[:, 0], middle), points[:, 1]])

    # On one side of the 180th meridian, whichever a polygon and a sample are on.
    inside = shapely.contains_xy(shapely.transform(shape, moved), near(longitude, middle), latitude)
    lines = np.flatnonzero(inside.any(axis=1))
    if not lines.size:
        return
    stored = StoredQuantities.of(cube)
    sums.fit = stored.fit
    for start in range(int(lines[0]), int(lines[-1]) + 1, LINES_AT_ONCE):
        part = slice(start, start + LINES_AT_ONCE)
        line, sample = np.nonzero(inside[part])
        if not line.size:
            continue
        reflectance = cube["reflectance"][:, part].values[:, line, sample].astype(np.float64)
        flags = cube["quality_flag"][:, part].values[:, line, sample]
        good = ((flags & np.uint8(sum(_UNSOUND))) == 0) & np.isfinite(reflectance)
        at = stored.at(reflectance, start + line, sample)
        variances = variance_terms(at)
        by_sharing = _by_sharing(stored.terms)
        for total, values in (
            (sums.count, np.ones_like(reflectance)),
            (sums.value, reflectance),
            (sums.square, reflectance**2),
            (sums.sample, combined(variances[name] for name in by_sharing["sample"])),
            (sums.element, combined(variances[name] for name in by_sharing["element"])),
            *((sums.shared[name], np.sqrt(variances[name])) for name in by_sharing["all"]),
            (sums.scaled, at.panel_signal),
        ):
            total += np.where(good, values, 0).sum(axis=1)
        of_flag = [~good & ((flags & np.uint8(flag)) != 0) for flag in _LEFT_OUT]
        sums.left_out += np.stack(of_flag).sum(axis=2)
        sums.elements.update(sample.tolist())
        sums.inside += line.size


def _by_sharing(terms: Mapping[str, Term]) -> dict[str, list[str]]:
    """Names of the terms by what shares their error: a sample alone, the lines of an element, all.

    The empirical line's own are left out: they are known at the mean signal itself.
    """
    found: dict[str, list[str]] = {"sample": [], "element": [], "all": []}
    for name, term in terms.items():
        if name not in TERMS_OF_FIT:
            alone = term.sample == "independent"
            own = "sample" if term.line == "independent" else "element"
            found[own if alone else "all"].append(name)
    return found


def _rows(key: tuple[str, str], wavelength_nm: Array, sums: _Sums) -> Iterator[tuple[Any, ...]]:
    n = sums.count
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = sums.value / n
        spread = np.sqrt(np.maximum(sums.square - n * mean**2, 0) / (n - 1))
        shared = combined((total / n) ** 2 for total in sums.shared.values())
        of_fit = sums.fit.at(sums.scaled / n) if sums.fit is not None else np.nan * n
        systematic = np.sqrt(np.maximum(of_fit, 0) + shared)
        shrinking = sums.sample / n**2 + sums.element / n / max(len(sums.elements), 1)
        total = np.sqrt(systematic**2 + shrinking)
    for b, nm in enumerate(wavelength_nm):
        values = (_cell(v[b]) for v in (mean, spread, total, systematic))
        yield (
            *(in_table(text) for text in key),
            float(f"{nm:.10g}"),
            *values,
            int(n[b]),
            sums.inside - int(n[b]),
            *(int(c) for c in sums.left_out[:, b]),
        )


def _cell(value: float) -> float | str:
    return float(f"{value:.6g}") if np.isfinite(value) else ""


def _write_csv(target: Path, rows: list[tuple[Any, ...]]) -> None:
    with (
        replacing(target) as beside,
        beside.open("w", encoding="utf-8", newline="") as file,
    ):
        writer = csv.writer(file, quoting=csv.QUOTE_NONNUMERIC)
        writer.writerow(COLUMNS)
        writer.writerows(rows)
