"""A season of one camera, truly flown and run: what the record says of it, and how long it takes.

Run from the checkout: `python tests/benchmarks/bench_camera_record.py [FLIGHTS [RUNS]]`. A steady
camera flies `FLIGHTS` (40) flights over ground, noise and temperature drawn anew; then one thing at
a time changes from flight 25 on, for five flights. The scatter of the quantities is printed, which
`tests/campaign/past_flights.py` draws from, then the alarms, and the time for `RUNS` (500) runs.
"""

from __future__ import annotations

import datetime as dt
import json
import shutil
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

import pipeline
from pipeline.campaign.past_runs import PastFlight, PastRuns, Reader
from pipeline.campaign.record import judged, record
from pipeline.synthetic import FlightPlan, make_flight
from pipeline.synthetic import camera as simulated_camera
from pipeline.synthetic.plan import generator

CHANGED, FOUND_WITHIN = 24, 5
#: Streams of the simulator that are the camera's own: the same in all flights.
CAMERA_SEED = 1
PLAN = FlightPlan(
    cubes=3, lines=160, samples=96, bands=120, dark_frames=100, manifest=False, fast=False
)


def _other_panel(plan: FlightPlan) -> FlightPlan:
    panels = list(plan.panels)
    panels[2] = replace(panels[2], light=0.96)
    return replace(plan, panels=tuple(panels))


CHANGES = {
    "dark level": lambda plan: replace(plan, dark_level_counts=plan.dark_level_counts + 5),
    "overall system gain": lambda plan: replace(
        plan, electrons_per_count=plan.electrons_per_count * 0.92
    ),
    "wavelength shift": lambda plan: replace(plan, wavelength_shift_nm=0.6),
    "panel grey-24": _other_panel,
}


def plan_of(i: int) -> FlightPlan:
    """Flight `i` of the steady camera."""
    rng = np.random.default_rng(1000 + i)
    start = PLAN.start.replace(month=3) + dt.timedelta(days=3 * i)
    return replace(
        PLAN,
        name=f"flight-{i + 1:02d}",
        seed=1000 + i,
        start=start,
        sensor_temperature_c=float(np.round(34 + rng.normal(0, 1.5), 2)),
        dark_drift_counts=float(rng.uniform(0, 0.3)),
        heading_deg=float(rng.uniform(0, 360)),
    )


def _camera_stays(plan: FlightPlan, stream: str, *index: int) -> np.random.Generator:
    return generator(replace(plan, seed=CAMERA_SEED), stream, *index)


def fly(plan: FlightPlan, folder: Path) -> Path:
    """The folder of a flight's run."""
    with mock.patch.object(simulated_camera, "generator", _camera_stays):
        made = make_flight(folder / "cards" / plan.name, plan)
    del made
    result = pipeline.run(
        folder / "cards" / plan.name / "flight.toml", output=folder / "results", workers=1
    )
    shutil.rmtree(folder / "cards" / plan.name)
    for cube in result.folder.glob("*.nc"):
        cube.unlink()
    return result.folder


def scatter(flights: tuple[PastFlight, ...]) -> None:
    """Standard deviation of each quantity from flight to flight beside the one stated."""
    print("quantity: standard deviation from flight to flight; stated, median; mean")
    camera = judged(Path(), PastRuns(flights, ())).cameras[0]
    for chart in camera.charts:
        stated = np.nan_to_num(chart.uncertainties)
        print(f"  {chart.name}: {np.nanstd(chart.values, ddof=1):.4g}; {np.median(stated):.4g}; "
              f"{np.nanmean(chart.values):.4g}")  # fmt: skip


def alarms(flights: tuple[PastFlight, ...]) -> list[str]:
    """Every alarm of the only camera, in words."""
    (camera,) = judged(Path(), PastRuns(flights, ())).cameras
    return [alarm.says for chart in camera.charts for alarm in chart.alarms]


def timed(run: Path, runs: int, folder: Path) -> float:
    """Seconds for the record of so many runs, each with a name and a time of its own."""
    document: dict[str, Any] = json.loads((run / "run.json").read_text())
    began = dt.datetime(2024, 1, 1, tzinfo=dt.UTC)
    text = json.dumps(document, indent=1)
    for i in range(runs):
        name, flown = f"{i:012x}", began + dt.timedelta(days=i)
        place = folder / f"flight-{i:03d}" / name
        place.mkdir(parents=True)
        own = text.replace(document["run_id"], name)
        own = own.replace(document["quantities"]["flown"], flown.strftime("%Y-%m-%dT%H:%M:%SZ"))
        own = own.replace(f'"{document["flight"]}"', f'"flight-{i:03d}"')
        (place / "run.json").write_text(own)
    start = time.perf_counter()
    made = record(folder)
    assert len(made.cameras[0].flights) == runs
    return time.perf_counter() - start


def main() -> int:
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    runs = int(sys.argv[2]) if len(sys.argv) > 2 else 500
    with tempfile.TemporaryDirectory() as temporary:
        base = Path(temporary)
        last = [fly(plan_of(i), base / "steady") for i in range(number)][-1]
        steady = Reader().below(base / "steady").flights
        scatter(steady)
        print(f"{number} steady flights: {alarms(steady) or 'no alarm'}")
        missed = len(alarms(steady)) > 2
        for name, change in CHANGES.items() if number > CHANGED else ():
            for i in range(CHANGED, CHANGED + FOUND_WITHIN):
                fly(change(plan_of(i)), base / name)
            changed = Reader().below(base / name).flights
            told = alarms(steady[:CHANGED] + changed)
            print(f"{name} changed from flight {CHANGED + 1} on: {told or 'NOT FOUND'}")
            missed |= not any(name.lower() in says.lower() for says in told)
        size = (last / "run.json").stat().st_size
        seconds = timed(last, runs, base / "many")
        print(f"{runs} runs of {size / 1000:.0f} kB each: record in {seconds:.1f} s")
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
