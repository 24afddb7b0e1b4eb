"""`python -m pipeline.synthetic FOLDER`: write a simulated flight."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from pathlib import Path

from pipeline.synthetic.faults import FAULTS, with_faults
from pipeline.synthetic.flight import make_flight
from pipeline.synthetic.plan import FlightPlan


def parser() -> argparse.ArgumentParser:
    """The command line; its defaults are the plan's."""
    plan = FlightPlan()
    p = argparse.ArgumentParser(
        prog="python -m pipeline.synthetic",
        description="Write a simulated flight folder with known truth.",
    )
    p.add_argument("folder", type=Path, help="where to write; made where absent")
    for knob in ("cubes", "lines", "samples", "bands", "seed"):
        p.add_argument(f"--{knob}", type=int, default=getattr(plan, knob), help="%(default)s")
    p.add_argument("--dark-frames", type=int, default=plan.dark_frames, help="%(default)s")
    p.add_argument("--interleave", choices=("bil", "bip", "bsq"), default=plan.interleave)
    p.add_argument("--format", choices=("netcdf", "zarr"), default=plan.output_format)
    p.add_argument("--where", choices=("window", "region", "search"), default=plan.where)
    p.add_argument("--draw-certificates", action="store_true", help="panels depart from them")
    p.add_argument("--flat", action="store_true", help="record a uniform target too")
    p.add_argument("--save-truth", action="store_true", help="write truth.npz beside the flight")
    p.add_argument("--fast", action="store_true", help="repeat one tile of noise")
    p.add_argument("--faults", default="", metavar="NAME,...", help=", ".join(sorted(FAULTS)))
    return p


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the flight and say what was made; exit 2 for a plan that cannot be."""
    p = parser()
    given = p.parse_args(arguments)
    try:
        plan = FlightPlan(
            cubes=given.cubes,
            lines=given.lines,
            samples=given.samples,
            bands=given.bands,
            seed=given.seed,
            dark_frames=given.dark_frames,
            interleave=given.interleave,
            output_format=given.format,
            where=given.where,
            certificate_error="draw" if given.draw_certificates else "none",
            flat=given.flat,
            save_truth=given.save_truth,
            fast=given.fast,
        )
        plan = with_faults(plan, [name for name in given.faults.split(",") if name])
    except ValueError as error:
        p.error(str(error))
    began = time.perf_counter()
    make_flight(given.folder, plan)
    size = sum(path.stat().st_size for path in (given.folder / "raw").iterdir())
    print(
        f"{plan.cubes} strips of {plan.lines} lines x {plan.bands} bands x {plan.samples} samples, "
        f"{len(plan.dark_captures)} dark captures of {plan.dark_frames} frames, "
        f"{len(plan.panels)} panels: {size / 1e6:.1f} MB in {time.perf_counter() - began:.1f} s"
    )
    print(f"faults: {given.faults or 'none'}; simulated, seed {plan.seed}")
    print(f"next: reflectory run {given.folder / 'flight.toml'}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
