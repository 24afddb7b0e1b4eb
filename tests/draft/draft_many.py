"""Flights off strangers' cards: `draft` then `run`, nothing typed, against full knowledge.

`python tests/draft/draft_many.py --folders 12`

Each flight is calibrated twice: as its simulator wrote it, with a config that knows everything,
and from its disguise, with the config that `draft` wrote. The medians of every band must agree
within 0.3 % of their value, or two steps of the packing where that is less than they are; a draft
that asks instead counts as asked.
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
import tempfile
from pathlib import Path
from types import ModuleType

import netCDF4
import numpy as np

from pipeline.draft.draft import draft
from pipeline.flight.run import run

#: Largest difference of a band's median, over its value; and two steps of packed reflectance, of
#: which a median is a whole number.
SAME, STEPS = 0.003, 2e-4


def disguise() -> ModuleType:
    """The simulator beside this program; this folder is no package."""
    path = Path(__file__).with_name("disguise.py")
    spec = importlib.util.spec_from_file_location("disguise", path)
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def medians(cube: Path) -> np.ndarray:
    """Median reflectance of each band."""
    with netCDF4.Dataset(cube) as nc:
        values = nc["reflectance"][:]
    return np.asarray(np.ma.median(values, axis=(1, 2)).filled(-1))


def tried(base: Path, seed: int) -> tuple[str, str]:
    """What became of one folder: same, asked or wrong, and why."""
    case = disguise().make_disguised(base, seed)
    known = run(case.plain, workers=2).folder
    made = draft(case.folder)
    if made.undecided:
        return "asked", f"{case.told}: {'; '.join(made.undecided)}"
    drafted = run(made.path, workers=2)
    strips = [old for old in case.stems if old.startswith("strip")]
    worst = 0.0
    for old in strips:
        cube = drafted.folder / f"{case.stems[old]}.nc"
        if not cube.is_file():
            return "wrong", f"{case.told}: {case.stems[old]} was not calibrated"
        a, b = medians(known / f"{old}.nc"), medians(cube)
        beyond = np.maximum(np.abs(b - a) - STEPS, 0)
        worst = max(worst, float(np.max(np.where(beyond > 0, np.abs(b / a - 1), 0))))
    cubes = len(list(drafted.folder.glob("*.nc")))
    same = worst <= SAME and cubes == len(strips)
    return "same" if same else "wrong", f"{case.told}: {100 * worst:.3f} %, {cubes} cubes"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folders", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    found: dict[str, int] = {"same": 0, "asked": 0, "wrong": 0}
    for seed in range(options.seed, options.seed + options.folders):
        with tempfile.TemporaryDirectory() as folder:
            what, why = tried(Path(folder), seed)
        found[what] += 1
        print(f"{seed}: {what}: {why}", flush=True)
    print(", ".join(f"{number} {what}" for what, number in found.items()))
    return 1 if found["wrong"] else 0


if __name__ == "__main__":
    raise SystemExit(main())
