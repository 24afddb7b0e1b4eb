"""Kill runs and sweeps at random moments: nothing half-written, the next is as if undisturbed.

`python tests/faults/kill_many.py --kills 60`

In turn `run`, `run --again` and `sweep`, each ended by SIGKILL and by SIGTERM. After every one, all
that stands under a final name must verify; SIGTERM must leave nothing else either. At the end each
command runs undisturbed, and its data must be those of a run that nobody ever disturbed.
"""

from __future__ import annotations

import argparse
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import xarray as xr

from pipeline.config.flight import load_config
from pipeline.inspect.verify import verify
from pipeline.synthetic import FlightPlan, make_flight

PLAN = FlightPlan(cubes=3, lines=400, samples=64, bands=60, dark_frames=60, seed=5)


SIGNALS = (signal.SIGKILL, signal.SIGTERM)


def command(config: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "pipeline", "run", str(config), "--workers", "2", *more]


def run_folders(results: Path) -> list[Path]:
    """Everything that stands under a final name."""
    flights = [p for p in results.iterdir() if p.is_dir()] if results.is_dir() else []
    return [p for f in flights for p in f.iterdir() if p.name[0] != "." and not p.is_symlink()]


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


def leftovers(results: Path) -> list[str]:
    """What a run leaves beside the runs when it is killed; nothing once the next has begun."""
    return [str(p) for name in (".writing*", ".removing*") for p in results.rglob(name)]


@dataclass
class Victim:
    """A command that is killed again and again, and what was seen."""

    name: str
    command: list[str]
    results: Path
    anew: bool  # a finished run is taken away first, or there would be nothing to do
    tries: int = 0
    at_work: int = 0  # how many were killed before they ended
    found: list[str] = field(default_factory=list)

    def killed(self, delay_s: float, number: signal.Signals) -> None:
        """Start it, end it after a delay, and look at what is there."""
        self.tries += 1
        if self.anew and run_folders(self.results):
            shutil.rmtree(self.results)
        # Those of one killed before are cleared away once this one has come so far.
        before = leftovers(self.results)
        process = subprocess.Popen(
            self.command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        began = time.perf_counter()
        try:
            process.wait(delay_s)
        except subprocess.TimeoutExpired:
            process.send_signal(number)
            process.wait()
            self.at_work += 1
        where = f"{self.name}, {number.name} after {delay_s:.3f} s"
        found = half_written(self.results)
        if number is signal.SIGTERM:
            found += [f"left: {p}" for p in leftovers(self.results) if p not in before]
            # A signal that comes before the program hears it ends it as any other does.
            if process.returncode not in (0, 143, -signal.SIGTERM):
                found.append(f"exit code {process.returncode}")
            if time.perf_counter() - began > delay_s + 10:
                found.append("took more than 10 s to end")
        self.found += [f"{where}: {what}" for what in found]

    def undisturbed(self, whole: Path) -> None:
        """Let it run to its end, and compare its data with those of a run never disturbed."""
        done = subprocess.run(self.command, capture_output=True, text=True, check=False)
        if done.returncode:
            self.found.append(f"{self.name} at the end: exit {done.returncode}: {done.stderr}")
            return
        folders = run_folders(self.results)
        if len(folders) != 1:
            self.found.append(f"{self.name} at the end: {len(folders)} runs")
        for folder in folders:
            self.found += [f"{self.name} at the end: {what}" for what in unlike(whole, folder)]
        self.found += [f"{self.name} at the end, left: {p}" for p in leftovers(self.results)]


def victims(config: Path, base: Path) -> list[Victim]:
    """`run`, `run --again` and `sweep` on one flight, each with results of its own."""
    # Under the flight's own name, so that a sweep's results lie as a run's do.
    arrived = base / "inbox" / load_config(config).flight.name
    shutil.copytree(config.parent, arrived, ignore=shutil.ignore_patterns("results*"))
    campaign = base / "campaign.toml"
    # However often it is killed: here that is never the flight's fault.
    campaign.write_text("[sweep]\nsettle_minutes = 0\nattempts = 1000000\n")
    sweep = [sys.executable, "-m", "pipeline", "sweep", str(campaign), "--workers", "2"]
    run, again = base / "run", base / "again"
    return [
        Victim("run", command(config, "--output", str(run)), run, anew=True),
        Victim("run --again", command(config, "--output", str(again), "--again"), again, False),
        Victim("sweep", sweep, base / "results", anew=True),
    ]


def kill_all(config: Path, base: Path, whole: Path, delays_s: Sequence[float]) -> list[Victim]:
    """Kill the three commands in turn, one after each delay, by each signal in turn."""
    every = victims(config, base)
    for i, delay_s in enumerate(delays_s):
        number = SIGNALS[i // len(every) % len(SIGNALS)]
        every[i % len(every)].killed(delay_s, number)
    for victim in every:
        victim.undisturbed(whole)
    return every


def delays(kills: int, took_s: float, chance: random.Random) -> list[float]:
    """Moments to kill at: over all of a run, and every other one near its end, where it is
    published."""
    ranges = ((0.1, 1.1 * took_s), (0.7 * took_s, 1.05 * took_s))
    return [chance.uniform(*ranges[i // 6 % 2]) for i in range(kills)]


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
    parser.add_argument("--kills", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        make_flight(base / "flight", PLAN)
        config = base / "flight" / "flight.toml"
        whole, took_s = timed_run(config, base / "undisturbed")
        moments = delays(options.kills, took_s, random.Random(options.seed))
        every = kill_all(config, base, whole, moments)
    print(f"an undisturbed run takes {took_s:.1f} s")
    for victim in every:
        print(f"{victim.name}: {victim.tries} times, {victim.at_work} killed at work, "
              f"{len(victim.found)} faults")  # fmt: skip
        for what in victim.found:
            print(f"  {what}")
    return 1 if any(victim.found for victim in every) else 0


if __name__ == "__main__":
    raise SystemExit(main())
