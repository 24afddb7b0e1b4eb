"""Do the stated uncertainties hold? Coverage over many simulated flights (JCGM 101:2008).

Run from the checkout: `python tests/benchmarks/bench_coverage.py [FLIGHTS [WORKERS]]`. Every flight
is a draw of all that its uncertainty budget names: panels that differ from their certificates
within the stated uncertainty, dark frames, noise, scene. Each is run as a whole, and the written
files are held against the true reflectance. Samples of a flight share its panels, so that the
unit of the statistics is the flight: every share stands with its standard error over flights.

A normal error of the stated size lies within k = 2 in 95.45 % of flights. The simulated panels
differ by one draw of the stated uncertainty and a wave over wavelength of a third of it, 1.03
times the stated uncertainty together, which makes 94.8 % the best to expect where certificates
rule.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import repeat
from pathlib import Path

import numpy as np
import xarray as xr
from numpy.typing import NDArray

import pipeline
from pipeline.flags import QualityFlag
from pipeline.inspect.budget import uncertainty_budget
from pipeline.radiometry.equation import TERMS
from pipeline.records import Array
from pipeline.synthetic import FlightPlan, PanelPlan, Truth, true_reflectance
from pipeline.synthetic import make_flight as make

FLIGHTS = 40
K = 2.0
SMALL = FlightPlan(
    cubes=1, lines=80, samples=64, bands=24, dark_frames=100, certificate_error="draw"
)
ONE, TWO, THREE = (
    (PanelPlan("grey-12", 0.12, "check"), *fit)
    for fit in (
        (PanelPlan("grey-50", 0.50),),
        (PanelPlan("grey-03", 0.03), PanelPlan("grey-50", 0.50)),
        (PanelPlan("grey-03", 0.03), PanelPlan("grey-24", 0.24), PanelPlan("grey-50", 0.50)),
    )
)


@dataclass(frozen=True)
class Case:
    """A kind of flight, and flags that do not keep its samples out."""

    plan: FlightPlan
    ignored: int = 0


#: One panel spans no range of reflectance: every sample is outside it.
_OUTSIDE = int(QualityFlag.OUTSIDE_PANEL_RANGE)
CASES: Mapping[str, Case] = {
    "1 panel, no path signal": Case(replace(SMALL, panels=ONE, path_reflectance=0.0), _OUTSIDE),
    "1 panel": Case(replace(SMALL, panels=ONE), _OUTSIDE),
    "2 panels": Case(replace(SMALL, panels=TWO)),
    "3 panels": Case(replace(SMALL, panels=THREE)),
    "3 panels, response 1": Case(replace(SMALL, panels=THREE, response_spread=0.0, vignetting=0.0)),
    "flat": Case(replace(SMALL, panels=THREE, flat=True, flat_lines=200)),
    "drift": Case(replace(SMALL, panels=THREE, dark_drift_counts=15.0)),
    "irradiance log": Case(
        replace(SMALL, panels=THREE, irradiance_fall=0.12, illumination="irradiance log")
    ),
    "light by band": Case(
        replace(
            SMALL,
            panels=THREE,
            irradiance_fall=0.08,
            blue_fall=0.10,
            illumination="irradiance log",
        )
    ),
    "all": Case(
        replace(
            SMALL,
            panels=THREE,
            flat=True,
            flat_lines=200,
            dark_drift_counts=15.0,
            irradiance_fall=0.12,
            illumination="irradiance log",
        )
    ),
}

#: True reflectance, lower ends of the classes.
CLASSES = (-np.inf, 0.05, 0.10, 0.20, 0.30)
CLASS_NAMES = ("below 0.05", "0.05 to 0.10", "0.10 to 0.20", "0.20 to 0.30", "above 0.30")
#: Reflectances at which the fitted line is held against the true one.
LEVELS = (0.05, 0.20, 0.40)
#: Spots of each flight whose budget is looked at.
SPOTS = 24


@dataclass(frozen=True, eq=False)
class Told:
    """What one flight says; every count is [samples within k = 2, samples]."""

    whole: Array  # (2,)
    by_class: Array  # (class, 2), of the true reflectance
    by_term: Array  # (term, 2), of the budget's largest term, at some spots
    by_line: Array  # (level, 2), bands: the fitted line alone, without a sample's own noise
    check_panel: Array  # (2,), bands of the check panel
    mean_z2: float  # mean square of error over standard uncertainty
    budget_off: float  # worst relative difference of the budget from the file's uncertainty
    verdicts: Mapping[str, str]  # by check


def told_by(
    plan: FlightPlan, ignored: int = 0, alter: Callable[[Path], None] | None = None
) -> Told:
    """Make and run a flight, its folder altered first, and hold what it wrote against its truth."""
    with tempfile.TemporaryDirectory() as folder:
        truth = make(folder, plan)
        config = Path(folder) / "flight.toml"
        if alter is not None:
            alter(Path(folder))
        result = pipeline.run(config, workers=1)
        parts = []
        for number, stem in enumerate(plan.stems):
            with xr.open_dataset(result.folder / f"{stem}.nc", engine="netcdf4") as cube:
                parts.append(_cube(plan, number, cube, ignored))
                by_line = _line_alone(truth, cube)
        check = _check_panel(result.document["panels"])
    whole, by_class, by_term, squares, off = (list(part) for part in zip(*parts, strict=True))
    total = np.sum(whole, axis=0)
    return Told(
        total,
        np.sum(by_class, axis=0),
        np.sum(by_term, axis=0),
        by_line,
        check,
        float(np.sum(squares)) / total[1],
        max(off),
        # The gravest row of a name comes first.
        {row["check"]: row["verdict"] for row in reversed(result.document["checks"])},
    )


def _cube(
    plan: FlightPlan, number: int, cube: xr.Dataset, ignored: int
) -> tuple[Array, Array, Array, float, float]:
    wanted = true_reflectance(plan, number).transpose(1, 0, 2).astype(np.float64)
    u = cube["reflectance_uncertainty"].values.astype(np.float64)
    z = (cube["reflectance"].values - wanted) / u
    clear = (cube["quality_flag"].values & ~np.uint8(ignored)) == 0
    inside = np.abs(z) <= K
    place = np.digitize(wanted, CLASSES) - 1
    by_class = [_count(inside, clear & (place == i)) for i in range(len(CLASSES))]

    rng = np.random.default_rng(plan.seed)
    by_term, off = np.zeros((len(TERMS), 2)), 0.0
    for line, sample in zip(
        rng.integers(plan.lines, size=SPOTS), rng.integers(plan.samples, size=SPOTS), strict=True
    ):
        budget = uncertainty_budget(cube, int(line), int(sample))
        terms = np.stack([budget[name].values for name in TERMS])
        good = clear[:, line, sample]
        largest = np.where(good, np.nan_to_num(terms).argmax(axis=0), -1)
        for i in range(len(TERMS)):
            by_term[i] += _count(inside[:, line, sample], largest == i)
        stated = u[good, line, sample]
        if stated.size:
            off = max(off, float(np.abs(budget["combined"].values[good] / stated - 1).max()))
    return (
        _count(inside, clear),
        np.stack(by_class),
        by_term,
        float((z[clear] ** 2).sum()),
        off,
    )


def _count(inside: NDArray[np.bool_], of: NDArray[np.bool_]) -> Array:
    return np.array([np.count_nonzero(inside & of), np.count_nonzero(of)], np.float64)


def _line_alone(truth: Truth, cube: xr.Dataset) -> Array:
    """The written line at signals of known reflectance: what is common to all samples of a band."""
    gain, offset, u_gain, u_offset, covariance = (
        cube[f"empirical_{name}"].values
        for name in (
            "gain",
            "offset",
            "gain_uncertainty",
            "offset_uncertainty",
            "gain_offset_covariance",
        )
    )
    told = []
    for level in LEVELS:
        signal = (level - truth.offset) / truth.gain
        u = np.sqrt((signal * u_gain) ** 2 + u_offset**2 + 2 * signal * covariance)
        told.append(_count(np.abs(offset + gain * signal - level) <= K * u, np.isfinite(u)))
    return np.stack(told)


def _check_panel(rows: Iterable[Mapping[str, list[float | None]]]) -> Array:
    """Bands in which the check panel lies within the expanded uncertainty of the difference."""
    told = np.zeros(2)
    for row in rows:
        if row["use"] != "check":
            continue
        predicted, certified, u_predicted, u_certified = (
            np.array(row[name], np.float64)
            for name in ("predicted", "certified", "predicted_uncertainty", "certified_uncertainty")
        )
        good = np.isfinite(predicted + certified)
        expanded = K * np.hypot(u_predicted, u_certified)
        told += _count(np.abs(predicted - certified) <= expanded, good)
    return told


def share_over_flights(counts: Array) -> tuple[float, float]:
    """Pooled share of (flight, 2) counts and its standard error over flights.

    The error of a ratio of sums (Cochran 1977, Sampling Techniques, eq. 2.46, from memory): that
    of the flights' own departures from the pooled share. NaN with nothing counted.
    """
    counts = np.asarray(counts, np.float64)
    hits, of = counts[:, 0], counts[:, 1]
    if not of.sum() > 0:
        return float("nan"), float("nan")
    share = hits.sum() / of.sum()
    n = len(counts)
    spread = np.sqrt(((hits - share * of) ** 2).sum() / max(n - 1, 1))
    return float(share), float(spread / of.mean() / np.sqrt(n))


def coverage(case: Case, seeds: Iterable[int], *, workers: int = 1) -> list[Told]:
    """One `Told` a seed."""
    plans = [replace(case.plan, seed=seed) for seed in seeds]
    if workers == 1:
        return [told_by(plan, case.ignored) for plan in plans]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(partial(told_by), plans, repeat(case.ignored)))


def _line(name: str, counts: Array, total: float) -> str:
    share, error = share_over_flights(counts)
    part = counts[:, 1].sum() / total if total else 0.0
    return f"  {name:28s} {100 * share:6.2f} %  +- {100 * error:4.2f}   {100 * part:5.1f} %"


def report(name: str, told: list[Told]) -> str:
    """The table of one case."""
    whole = np.stack([t.whole for t in told])
    total = whole[:, 1].sum()
    spots = sum(t.by_term[:, 1].sum() for t in told)
    z2 = np.array([t.mean_z2 for t in told])
    rows = [f"{name}: {len(told)} flights, {total:.0f} samples", _line("all samples", whole, total)]
    for i, kind in enumerate(CLASS_NAMES):
        rows.append(_line(kind, np.stack([t.by_class[i] for t in told]), total))
    for i, term in enumerate(TERMS):
        counts = np.stack([t.by_term[i] for t in told])
        if counts[:, 1].any():
            rows.append(_line(f"largest: {term}", counts, spots))
    for i, level in enumerate(LEVELS):
        counts = np.stack([t.by_line[i] for t in told])
        rows.append(_line(f"line alone at {level:.2f} (bands)", counts, counts[:, 1].sum()))
    check = np.stack([t.check_panel for t in told])
    rows.append(_line("check panel (bands)", check, check[:, 1].sum()))
    rows.append(
        f"  mean z^2 {z2.mean():.3f} +- {z2.std(ddof=1) / np.sqrt(len(z2)):.3f}; budget at most "
        f"{100 * max(t.budget_off for t in told):.2f} % from the file"
    )
    return "\n".join(rows)


def main() -> None:
    """Print the table of every case."""
    flights = int(sys.argv[1]) if len(sys.argv) > 1 else FLIGHTS
    workers = int(sys.argv[2]) if len(sys.argv) > 2 else min(os.cpu_count() or 1, 4)
    wanted = sys.argv[3:]
    print("share within k = 2, its standard error over flights, share of the samples")
    for name, case in CASES.items():
        if wanted and name not in wanted:
            continue
        started = time.perf_counter()
        told = coverage(case, range(1, flights + 1), workers=workers)
        print(report(name, told))
        print(f"  {time.perf_counter() - started:.0f} s", flush=True)


if __name__ == "__main__":
    main()
