"""How often does a row cry wolf? Cautions and fails on good flights.

Run from the checkout: `python tests/benchmarks/bench_good_flights.py [FLIGHTS [WORKERS]]`. Sizes,
light and flat of each flight are drawn anew; panels differ from their certificates as these say,
for which the rows of certificates and fit have their own levels. Every flight is looked at as
`check` does, and run.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

import pipeline
from pipeline.synthetic import FlightPlan, PanelPlan, make_flight

FLIGHTS = 100
#: A dark panel as dark as the scene's water, so that the panels span the scene.
SPANNING = (PanelPlan("grey-02", 0.02), *FlightPlan().panels[1:])


def plan_of(seed: int) -> FlightPlan:
    """A good flight."""
    rng = np.random.default_rng(seed)
    followed = bool(rng.random() < 0.5)
    return FlightPlan(
        seed=seed,
        cubes=int(rng.integers(2, 6)),
        lines=int(rng.integers(128, 400)),
        samples=int(rng.integers(80, 200)),
        bands=int(rng.integers(20, 60)),
        dark_frames=int(rng.integers(100, 300)),
        flat=bool(rng.random() < 0.5),
        panels=SPANNING,
        certificate_error="draw",
        illumination="irradiance log" if followed else "constant",
        irradiance_fall=float(rng.uniform(0, 0.15)) if followed else 0.0,
        dark_drift_counts=float(rng.uniform(0, 0.8)),
    )


def alarms(seed: int) -> list[tuple[str, str, str]]:
    """(check, verdict, sentence) of every row of a flight that is no pass."""
    with tempfile.TemporaryDirectory() as folder:
        make_flight(folder, plan_of(seed))
        rows = pipeline.run(Path(folder) / "flight.toml", workers=1).document["checks"]
    wanted = ("caution", "fail")
    return [(r["check"], r["verdict"], r["says"]) for r in rows if r["verdict"] in wanted]


def main() -> None:
    """Print the rows that spoke, and how often."""
    flights = int(sys.argv[1]) if len(sys.argv) > 1 else FLIGHTS
    workers = int(sys.argv[2]) if len(sys.argv) > 2 else os.cpu_count() or 1
    with ProcessPoolExecutor(workers) as pool:
        told = list(pool.map(alarms, range(1, flights + 1)))
    counted = Counter((check, verdict) for one in told for check, verdict, _ in one)
    print(f"{flights} good flights, {sum(not one for one in told)} without any caution")
    for (check, verdict), count in counted.most_common():
        example = next(says for one in told for c, v, says in one if (c, v) == (check, verdict))
        print(f"| {check} | {verdict} | {count} | {example} |")


if __name__ == "__main__":
    main()
