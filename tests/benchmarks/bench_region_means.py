"""Are region means as uncertain as they say? Mean square of error over standard uncertainty.

Run from the checkout: `python tests/benchmarks/bench_region_means.py [FLIGHTS [WORKERS]]`. A block
of 40 lines and 40 samples in each flight's last strip, exported as `export RUN spectra` does, held
against the true reflectance of its samples. Bands of a flight share their panels, so that a
flight's mean over bands is one draw: its standard error over flights stands with it.
"""

from __future__ import annotations

import csv
import os
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely
import xarray as xr
from bench_as_flown import KINDS

import pipeline
from pipeline.inspect.region_spectra import export_spectra
from pipeline.synthetic import make_flight, true_reflectance

FLIGHTS = 200
BLOCK = (slice(100, 140), slice(10, 50))
LEFT_OUT = 1 | 4 | 16 | 64
WANTED = ("no falloff, light in a log", "falloff, flat")


def squares(name: str, seed: int) -> tuple[float, float]:
    """Mean over bands of z^2 of one flight, by the whole and by the systematic uncertainty."""
    rng = np.random.default_rng(seed)
    kind = KINDS[name]
    plan = kind.draw(replace(kind.plan, seed=seed), rng)
    with tempfile.TemporaryDirectory() as folder:
        make_flight(folder, plan)
        run = pipeline.run(Path(folder) / "flight.toml", workers=1)
        stem = plan.stems[-1]
        with xr.open_dataset(run.folder / f"{stem}.nc", decode_times=False) as cube:
            longitude, latitude = cube["longitude"].values, cube["latitude"].values
            sound = (cube["quality_flag"].values & LEFT_OUT) == 0
            sound &= np.isfinite(cube["reflectance"].values)
        corners = np.column_stack([longitude[BLOCK].ravel(), latitude[BLOCK].ravel()])
        block = shapely.MultiPoint(corners).convex_hull
        export_spectra(run.folder, {"block": block}, Path(folder) / "t.csv")
        with (Path(folder) / "t.csv").open(newline="") as file:
            rows = [row for row in csv.DictReader(file) if row["strip"] == stem]
    inside = sound & shapely.contains_xy(block, longitude, latitude)
    wanted = true_reflectance(plan, plan.cubes - 1).transpose(1, 0, 2)
    truth = np.array([values[good].mean() for values, good in zip(wanted, inside, strict=True)])
    mean, total, systematic = (
        np.array([float(row[column]) for row in rows])
        for column in ("mean", "standard_uncertainty", "systematic_uncertainty")
    )
    return tuple(float(np.mean(((mean - truth) / u) ** 2)) for u in (total, systematic))


def main() -> None:
    """Print both mean squares of each kind."""
    flights = int(sys.argv[1]) if len(sys.argv) > 1 else FLIGHTS
    workers = int(sys.argv[2]) if len(sys.argv) > 2 else os.cpu_count() or 1
    with ProcessPoolExecutor(workers) as pool:
        for name in WANTED:
            found = np.array(list(pool.map(squares, [name] * flights, range(1, flights + 1))))
            error = found.std(axis=0, ddof=1) / np.sqrt(flights)
            print(
                f"{name}: mean z^2 {found[:, 0].mean():.2f} ± {error[0]:.2f}, of the systematic "
                f"part alone {found[:, 1].mean():.2f} ± {error[1]:.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
