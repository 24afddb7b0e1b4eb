"""Do the stated uncertainties hold on flights as people fly them?

Run from the checkout: `python tests/benchmarks/bench_as_flown.py [FLIGHTS [WORKERS]]`. Each flight
draws its falloff anew; the rest is as in `bench_coverage.py`, whose arithmetic this is. A row's
verdict is shown with the number of flights that got it.
"""

from __future__ import annotations

import os
import sys
from collections import Counter
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from bench_coverage import THREE, Told, share_over_flights, told_by

from pipeline.synthetic import FlightPlan

FLIGHTS = 20
FLOWN = FlightPlan(
    cubes=4, lines=160, samples=64, bands=16, dark_frames=60, certificate_error="draw", panels=THREE
)


@dataclass(frozen=True)
class Case:
    """A kind of flight: a plan, losses at the swath's ends to draw from, an edit of the config."""

    plan: FlightPlan
    loss: tuple[float, float] = (0.0, 0.0)
    edit: tuple[str, str] = ("", "")
    check: str = "falloff"


_SCENE = ("[calibration]", '[calibration]\nresponse = "scene"')
CASES: Mapping[str, Case] = {
    "no falloff": Case(FLOWN),
    "falloff, not corrected": Case(FLOWN, (0.08, 0.2)),
    "falloff, response from the scene": Case(FLOWN, (0.08, 0.2), _SCENE),
    "the same, ten strips": Case(replace(FLOWN, cubes=10), (0.08, 0.2), _SCENE),
    "falloff, flat": Case(replace(FLOWN, flat=True, flat_lines=200), (0.08, 0.2)),
}


def one(case: Case, seed: int) -> Told:
    """One flight of a kind."""
    loss = np.random.default_rng(seed).uniform(*case.loss) if case.loss[1] else 0.0
    return told_by(replace(case.plan, seed=seed, vignetting=loss), 0, case.edit)


def main() -> None:
    """Print the table."""
    flights = int(sys.argv[1]) if len(sys.argv) > 1 else FLIGHTS
    workers = int(sys.argv[2]) if len(sys.argv) > 2 else os.cpu_count() or 1
    wanted = sys.argv[3:]
    print("| flight | inside k = 2 | mean z^2 | check |\n|---|---|---|---|")
    with ProcessPoolExecutor(workers) as pool:
        for name, case in CASES.items():
            if wanted and name not in wanted:
                continue
            told = list(pool.map(one, [case] * flights, range(1, flights + 1)))
            share, error = share_over_flights(np.stack([t.whole for t in told]))
            z2 = np.mean([t.mean_z2 for t in told])
            rows = Counter(t.verdicts[case.check] for t in told)
            said = ", ".join(f"{verdict} {count}" for verdict, count in rows.items())
            print(
                f"| {name} | {share:.3f} ± {error:.3f} | {z2:.2f} | {case.check}: {said} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
