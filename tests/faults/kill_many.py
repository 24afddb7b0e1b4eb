"""Kill runs at random moments: nothing half-written, and the next run is as if undisturbed.

`python tests/faults/kill_many.py --kills 50`
"""

from __future__ import annotations

import argparse
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import xarray as xr

from pipeline.inspect.verify import verify
from pipeline.synthetic import FlightPlan, make_flight

PLAN = FlightPlan(cubes=3, lines=400, samples=64, bands=60, dark_frames=60, seed=5)


def command(config: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "pipeline", "run", str(config), "--workers", "2", *more]


def run_folders(results: Path) -> list[Path]:
    """Everything that stands under a final name."""
    flights = [p for p in results.iterdir() if p.is_dir()] if results.is_dir() else []
    return [p for f in flights for p in f.iterdir() if not p.name.startswith(".")]


def half_written(results: Path) -> list[str]:
    """What is wrong with anything under a final name; nothing, if all is well."""
    found = []
    for folder in run_folders(results):
        if not (folder / "run.json").is_file() or not (folder / "checksums.sha256").is_file():
            found.append(f"{folder}: not whole")
            continue
        seen = verify(folder, inputs=False)
        found += [
            f"{f.file}: {f.what}" for f in seen if not f.ok and not f.what.startswith("input ")
        ]
    return found


def unlike(run_a: Path, run_b: Path) -> list[str]:
    """Data variables of two netCDF runs that are not bit-identical."""
    found = []
    for path in sorted(run_a.glob("*.nc")):
        options = {"mask_and_scale": False, "decode_times": False}
        with (
            xr.open_dataset(path, **options) as a,
            xr.open_dataset(run_b / path.name, **options) as b,
        ):
            if set(a.variables) != set(b.variables):
                found.append(f"{path.name}: other variables")
            found += [
                f"{path.name}: {name}"
                for name in a.variables
                if np.asarray(a[name]).tobytes() != np.asarray(b[name]).tobytes()
            ]
    return found


def kill_runs(config: Path, results: Path, delays_s: Sequence[float]) -> tuple[int, list[str]]:
    """Kill a run after each delay; how many were killed at work, and what was found wrong."""
    killed, found = 0, []
    for delay_s in delays_s:
        process = subprocess.Popen(
            command(config, "--output", str(results), "--again"),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            process.wait(delay_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            killed += 1
        found += half_written(results)
    return killed, found


def timed_run(config: Path, results: Path) -> tuple[Path, float]:
    """An undisturbed run: its folder, and how long it took [s]."""
    began = time.perf_counter()
    subprocess.run(
        command(config, "--output", str(results)), check=True, stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    (folder,) = run_folders(results)
    return folder, time.perf_counter() - began


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    chance = random.Random(options.seed)
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        make_flight(base / "flight", PLAN)
        config = base / "flight" / "flight.toml"
        whole, took_s = timed_run(config, base / "undisturbed")
        delays_s = [chance.uniform(0.1, 1.1 * took_s) for _ in range(options.kills)]
        killed, found = kill_runs(config, base / "killed", delays_s)
        # Again: a killed run may have been published a moment before.
        last = command(config, "--output", str(base / "killed"), "--again")
        subprocess.run(last, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        (again,) = run_folders(base / "killed")
        found += unlike(whole, again)
        left = [p.name for p in again.parent.iterdir() if p.name.startswith(".writing")]
    print(f"{options.kills} runs, {killed} killed at work, an undisturbed one takes {took_s:.1f} s")
    print(f"half-written or unlike the undisturbed run: {len(found)}; leftovers: {len(left)}")
    for what in found:
        print(what)
    return 1 if found or left else 0


if __name__ == "__main__":
    raise SystemExit(main())
