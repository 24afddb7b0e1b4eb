"""Do the stated uncertainties hold on flights as people fly them?

Run from the checkout: `python tests/benchmarks/bench_as_flown.py [FLIGHTS [WORKERS [KIND ...]]]`.
Falloff, light, certificates and faults of each flight are drawn anew from its seed; the rest is as
in `bench_coverage.py`, whose arithmetic this is. Beside the share inside stand the rows that are no
pass, with the number of flights that got them.
"""

from __future__ import annotations

import datetime as dt
import os
import re
import sys
from collections import Counter
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from bench_coverage import THREE, Told, share_over_flights, told_by

from pipeline.errors import CalibrationError
from pipeline.records import Array
from pipeline.synthetic import FlightPlan, PanelPlan, Swing

FLIGHTS = 20
FLOWN = FlightPlan(
    cubes=4,
    lines=160,
    samples=64,
    bands=16,
    dark_frames=100,
    certificate_error="draw",
    panels=THREE,
    turn_s=90.0,
)
LOG = replace(FLOWN, illumination="irradiance log")
Draw = Callable[[FlightPlan, np.random.Generator], FlightPlan]
Alter = Callable[[Path, np.random.Generator], None]


def no_draw(plan: FlightPlan, rng: np.random.Generator) -> FlightPlan:
    """The plan as it is."""
    return plan


def lossy(plan: FlightPlan, rng: np.random.Generator) -> FlightPlan:
    """A lens that loses 8 to 20 % at the swath's ends."""
    return replace(plan, vignetting=rng.uniform(0.08, 0.2))


def falling(plan: FlightPlan, rng: np.random.Generator) -> FlightPlan:
    """Light that falls by 5 to 20 % over the flight."""
    return replace(plan, irradiance_fall=rng.uniform(0.05, 0.2))


def swinging(
    size: float, period_s: float, plan: FlightPlan, rng: np.random.Generator
) -> FlightPlan:
    """Light that falls by up to 15 % and swells and fades."""
    swing = Swing(size * rng.uniform(0.3, 1), period_s * rng.uniform(0.5, 2), rng.uniform(0, 6.28))
    return replace(plan, irradiance_fall=rng.uniform(0, 0.15), swings=(swing,))


def sunny(plan: FlightPlan, rng: np.random.Generator) -> FlightPlan:
    """A clear sky at any hour of a June day, ten minutes from strip to strip."""
    start = dt.datetime(2026, 6, 18, 6, tzinfo=dt.UTC) + dt.timedelta(hours=rng.uniform(0, 10))
    return replace(plan, sun_moves=True, start=start, turn_s=600.0)


def with_config(text: str, folder: Path, rng: np.random.Generator) -> None:
    """Put a key into [calibration]."""
    path = folder / "flight.toml"
    path.write_text(path.read_text().replace("[calibration]", f"[calibration]\n{text}", 1))


def as_nothing(folder: Path, rng: np.random.Generator) -> None:
    """Leave all as it is."""


def without_log(folder: Path, rng: np.random.Generator) -> None:
    """Take the log, which knows all, out of the config."""
    path = folder / "flight.toml"
    path.write_text(path.read_text().replace('irradiance = "irradiance.csv"\n', "", 1))


def clear_sky(folder: Path, rng: np.random.Generator) -> None:
    """Follow the light by a model of the sky."""
    without_log(folder, rng)
    path = folder / "flight.toml"
    path.write_text(path.read_text().replace('"constant"', '"clear sky"', 1))


def first_two_passes(folder: Path, rng: np.random.Generator) -> None:
    """The windows of the last strip are not given: the panels were not passed there."""
    path = folder / "flight.toml"
    text = re.sub(r', \{ cube = "strip-02"[^}]*\}', "", path.read_text())
    path.write_text(text)


def one_pass_each(folder: Path, rng: np.random.Generator) -> None:
    """Each panel in two of the strips, drawn by chance, as they were flown."""
    path, kept = folder / "flight.toml", []
    for line in path.read_text().splitlines(keepends=True):
        places = re.findall(r"\{ cube = [^}]*\}", line)
        if places:
            some = sorted(rng.choice(len(places), 2, replace=False))
            line = f"where = [{', '.join(places[i] for i in some)}]\n"
        kept.append(line)
    path.write_text("".join(kept))


def certificates_end(folder: Path, rng: np.random.Generator) -> None:
    """Two of the three fitted certificates end early, each drawn by chance."""
    names = rng.permutation([panel.name for panel in THREE if panel.use == "fit"])[:2]
    for name, last_nm in zip(names, (rng.uniform(440, 700), rng.uniform(700, 950)), strict=True):
        path = folder / "certificates" / f"{name}.csv"
        head, *rows = path.read_text().splitlines()
        rows = [row for row in rows if float(row.split(",")[0]) <= last_nm]
        path.write_text("\n".join([head, *rows]) + "\n")


def altered_log(
    change: Callable[[Array, Array, np.random.Generator], Array],
    folder: Path,
    rng: np.random.Generator,
) -> None:
    """Rewrite the log: `change` takes seconds since its start and values, and gives values; NaN
    leaves a row out."""
    path = folder / "irradiance.csv"
    head, *rows = path.read_text().splitlines()
    stamps = [row.split(",")[0] for row in rows]
    at = np.array([dt.datetime.fromisoformat(stamp).timestamp() for stamp in stamps])
    value = change(at - at[0], np.array([float(row.split(",")[1]) for row in rows]), rng)
    lines = [f"{s},{v:.6f}" for s, v in zip(stamps, value, strict=True) if np.isfinite(v)]
    path.write_text("\n".join([head, *lines]) + "\n")


def noisy(since_s: Array, value: Array, rng: np.random.Generator) -> Array:
    """A row a second with 2 % of noise."""
    kept = np.where(np.arange(value.size) % 10 == 0, value, np.nan)
    return kept * (1 + 0.02 * rng.standard_normal(value.size))


def sparse(since_s: Array, value: Array, rng: np.random.Generator) -> Array:
    """A row a second."""
    return np.where(np.arange(value.size) % 10 == 0, value, np.nan)


def late(since_s: Array, value: Array, rng: np.random.Generator) -> Array:
    """A log that begins after the panels' pass: within the first turn."""
    return np.where(since_s > 45 + rng.uniform(10, 80), value, np.nan)


def early(since_s: Array, value: Array, rng: np.random.Generator) -> Array:
    """A log that ends before the last strip."""
    return np.where(since_s < since_s[-1] - 45 - rng.uniform(10, 80), value, np.nan)


def torn(since_s: Array, value: Array, rng: np.random.Generator) -> Array:
    """A log with a gap of 1 to 3 minutes anywhere."""
    start, length = rng.uniform(0, since_s[-1] - 60), rng.uniform(60, 180)
    return np.where((since_s < start) | (since_s > start + length), value, np.nan)


@dataclass(frozen=True)
class Kind:
    """A kind of flight: a plan, what is drawn of it, and what becomes of its folder."""

    plan: FlightPlan
    draw: Draw = no_draw
    alter: Alter = as_nothing
    ignored: int = 0


_SCENE = partial(with_config, 'response = "scene"')
_PASSES = replace(FLOWN, illumination="panel passes")
_ONE = replace(FLOWN, panels=(PanelPlan("grey-12", 0.12, "check"), PanelPlan("grey-50", 0.50)))
_SLOW, _SWELLS = partial(swinging, 0.01, 120.0), partial(swinging, 0.05, 40.0)
KINDS: Mapping[str, Kind] = {
    "no falloff, light in a log": Kind(LOG, falling),
    "falloff, not corrected": Kind(FLOWN, lossy),
    "falloff, response of the scene": Kind(FLOWN, lossy, _SCENE),
    "the same, ten strips": Kind(replace(FLOWN, cubes=10), lossy, _SCENE),
    "falloff, flat": Kind(replace(FLOWN, flat=True, flat_lines=200), lossy),
    "panels in the first two of three strips": Kind(
        replace(_PASSES, cubes=3, panel_passes=3), falling, first_two_passes
    ),
    "each panel in two strips of four": Kind(
        replace(_PASSES, panel_passes=4), _SLOW, one_pass_each
    ),
    "panels first and last, light swells by 8 %": Kind(
        replace(_PASSES, panel_passes=2), partial(swinging, 0.08, 120.0)
    ),
    "two certificates end early": Kind(FLOWN, no_draw, certificates_end),
    "one panel, path signal 0.002": Kind(_ONE, no_draw, as_nothing, 8),
    "log of 2 % noise": Kind(LOG, falling, partial(altered_log, noisy)),
    "light that swells, in a log": Kind(LOG, _SWELLS),
    "light that swells fast, a row a second": Kind(
        LOG, partial(swinging, 0.05, 6.0), partial(altered_log, sparse)
    ),
    "log begins after the panels": Kind(LOG, _SLOW, partial(altered_log, late)),
    "log ends before the last strip": Kind(LOG, _SLOW, partial(altered_log, early)),
    "log with a gap": Kind(LOG, _SLOW, partial(altered_log, torn)),
    "sun moves, taken as constant": Kind(FLOWN, sunny, without_log),
    "sun moves, clear sky": Kind(FLOWN, sunny, clear_sky),
}


def one(kind: Kind, seed: int) -> Told | None:
    """One flight of a kind; None where it is refused."""
    rng = np.random.default_rng(seed)
    plan = kind.draw(replace(kind.plan, seed=seed), rng)
    try:
        return told_by(plan, kind.ignored, lambda folder: kind.alter(folder, rng))
    except CalibrationError:
        return None


def main() -> None:
    """Print the table."""
    flights = int(sys.argv[1]) if len(sys.argv) > 1 else FLIGHTS
    workers = int(sys.argv[2]) if len(sys.argv) > 2 else os.cpu_count() or 1
    wanted = sys.argv[3:]
    print("| flight | inside k = 2 | mean z^2 | rows that are no pass |\n|---|---|---|---|")
    with ProcessPoolExecutor(workers) as pool:
        for name, kind in KINDS.items():
            if wanted and name not in wanted:
                continue
            all_told = list(pool.map(one, [kind] * flights, range(1, flights + 1)))
            told = [t for t in all_told if t is not None]
            said = Counter(
                f"{check} {verdict}"
                for t in told
                for check, verdict in t.verdicts.items()
                if verdict in ("caution", "fail")
            )
            said["refused"] = len(all_told) - len(told)
            rows = ", ".join(f"{row} {count}" for row, count in said.most_common() if count)
            if not told:
                print(f"| {name} | - | - | {rows} |", flush=True)
                continue
            share, error = share_over_flights(np.stack([t.whole for t in told]))
            z2 = np.mean([t.mean_z2 for t in told])
            print(f"| {name} | {share:.3f} ± {error:.3f} | {z2:.2f} | {rows} |", flush=True)


if __name__ == "__main__":
    main()
