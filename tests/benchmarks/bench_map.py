"""Seconds a cube and peak memory of `reflectory export RUN map`, on a simulated flight.

    python tests/benchmarks/bench_map.py [--cubes N ...] [--wavelength NM ...] [--all]

Each flight of 640 samples x 270 bands x 2000 lines is made and calibrated first (2.7 GB a cube on
the disk while it lasts); the map is then made in a process of its own, twice, and the better time
counts. With two numbers of cubes it also says how memory grew from one to the other.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from pipeline.flight.run import run
from pipeline.synthetic import FlightPlan, make_flight

_TIMED = """
import json, resource, sys, time
from pathlib import Path
from pipeline.inspect.map_export import export_map
began, worked = time.perf_counter(), time.process_time()
list(export_map(Path(sys.argv[1]), Path(sys.argv[2]), wavelength_nm=json.loads(sys.argv[3])))
print(json.dumps({"seconds": time.perf_counter() - began, "cpu": time.process_time() - worked,
                  "mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""


def measure(folder: Path, cubes: int, lines: int, wavelength_nm: list[float]) -> dict[str, float]:
    """Seconds, processor seconds and peak memory [MB] of the better of two maps."""
    plan = FlightPlan(cubes=cubes, lines=lines, dark_frames=100, fast=True, manifest=False)
    make_flight(folder / "flight", plan)
    result = run(folder / "flight" / "flight.toml").folder
    shutil.rmtree(folder / "flight" / "raw")
    asked = [sys.executable, "-c", _TIMED, str(result), str(folder / "map")]
    found = []
    for _ in range(2):
        done = subprocess.run(
            [*asked, json.dumps(wavelength_nm)], check=True, capture_output=True, text=True
        )
        found.append(json.loads(done.stdout))
    return min(found, key=lambda one: float(one["seconds"]))


def main() -> None:
    """Make the flights, map them, print."""
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--cubes", type=int, nargs="+", default=[2, 4])
    p.add_argument("--lines", type=int, default=2000)
    p.add_argument("--wavelength", type=float, nargs="+", default=[550.0, 670.0, 860.0])
    p.add_argument("--all", action="store_true", help="all 270 wavelengths")
    given = p.parse_args()
    wanted = [] if given.all else given.wavelength
    for cubes in given.cubes:
        with tempfile.TemporaryDirectory() as folder:
            best = measure(Path(folder), cubes, given.lines, wanted)
        print(
            f"{cubes} cubes, {len(wanted) or 270} wavelengths: {best['seconds']:.1f} s, "
            f"{best['seconds'] / cubes:.2f} s a cube ({best['cpu'] / cubes:.2f} s of processor), "
            f"peak {best['mb']:.0f} MB"
        )


if __name__ == "__main__":
    main()
