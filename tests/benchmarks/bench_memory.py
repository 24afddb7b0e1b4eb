"""Peak memory of a run: it must not grow with the number of cubes or lines.

`python tests/benchmarks/bench_memory.py`: makes flights of full-size cubes in a temporary folder
(5 GB of disk for the largest), runs each in a process of its own, prints peak resident memory.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import pipeline

ROOT = Path(pipeline.__file__).parent.parent


def peak_mb(command: Sequence[str]) -> tuple[float, float, int]:
    """Peak resident memory [MB], wall time [s] and exit code of a command."""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    began = time.perf_counter()
    pid = os.fork()
    if pid == 0:
        # The maximum over children belongs to the process that waited for them: one each.
        code = subprocess.call(command, env=environment, stdout=subprocess.DEVNULL)
        peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
        Path(os.environ["BENCH_RESULT"]).write_text(f"{peak} {code}")
        os._exit(0)
    os.waitpid(pid, 0)
    peak, code = Path(os.environ["BENCH_RESULT"]).read_text().split()
    # Kilobytes on Linux, bytes on macOS.
    unit = 1e6 if sys.platform == "darwin" else 1e3
    return int(peak) / unit, time.perf_counter() - began, int(code)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print one row a flight: cubes, lines, peak memory, time."""
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--cubes", type=int, nargs="+", default=[1, 4])
    p.add_argument("--lines", type=int, nargs="+", default=[2000])
    p.add_argument("--samples", type=int, default=640)
    p.add_argument("--bands", type=int, default=270)
    p.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    p.add_argument("--format", choices=("netcdf", "zarr"), default="netcdf")
    p.add_argument("--folder", type=Path, help="where to put the temporary folder")
    given = p.parse_args(arguments)
    print(f"{'cubes':>6} {'lines':>6} {'raw MB':>8} {'peak MB':>8} {'run s':>7} {'exit':>5}")
    for lines in given.lines:
        for cubes in given.cubes:
            with tempfile.TemporaryDirectory(dir=given.folder) as name:
                folder = Path(name)
                os.environ["BENCH_RESULT"] = str(folder / "peak.txt")
                sizes = ["--cubes", cubes, "--lines", lines, "--samples", given.samples]
                sizes += ["--bands", given.bands, "--dark-frames", 200, "--format", given.format]
                subprocess.run(
                    [sys.executable, "-m", "pipeline.synthetic", str(folder / "flight"), "--fast"]
                    + [str(size) for size in sizes],
                    check=True,
                    env=os.environ | {"PYTHONPATH": str(ROOT)},
                    stdout=subprocess.DEVNULL,
                )
                run = [sys.executable, "-m", "pipeline", "run", str(folder / "flight/flight.toml")]
                peak, seconds, code = peak_mb([*run, "--workers", str(given.workers)])
                raw = sum(f.stat().st_size for f in (folder / "flight/raw").iterdir()) / 1e6
                print(
                    f"{cubes:6d} {lines:6d} {raw:8.0f} {peak:8.0f} {seconds:7.1f} {code:5d}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
