"""`python -m pipeline.synthetic FOLDER`: write a simulated flight."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from pathlib import Path

from pipeline.synthetic.faults import TOLD, with_faults
from pipeline.synthetic.flight import make_flight
from pipeline.synthetic.plan import FlightPlan

_NUMBERS = {
    "cubes": "strips flown, one cube each",
    "lines": "lines in a strip",
    "samples": "samples across the swath; a panel is a quarter of them wide, 40 at the most",
    "bands": "bands, evenly spaced in wavelength",
    "seed": "start of the random numbers; the same seed gives the same flight",
    "dark_frames": "frames in each dark capture; there are two, before and after the strips",
}


class _Paragraphs(argparse.RawDescriptionHelpFormatter):
    """Keeps the list of faults as it is, and gives options' names more room."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, max_help_position=30)


def parser() -> argparse.ArgumentParser:
    """The command line; its defaults are the plan's."""
    plan = FlightPlan()
    p = argparse.ArgumentParser(
        prog="python -m pipeline.synthetic",
        description="Write a simulated flight folder with known truth: raw cubes of 12-bit counts "
        f"in uint16, {plan.first_nm:g} to\n{plan.last_nm:g} nm, a line or a dark frame every "
        f"{plan.frame_period_ms:g} ms, {plan.height_m:g} m above ground; dark captures, tables, "
        "panel\ncertificates, and flight.toml for `reflectory run`. A strip takes "
        "2 x lines x samples x bands bytes.",
        formatter_class=_Paragraphs,
    )
    p.add_argument("folder", type=Path, help="where to write; made where absent")
    for knob, told in _NUMBERS.items():
        p.add_argument(
            f"--{knob.replace('_', '-')}",
            type=int,
            default=getattr(plan, knob),
            metavar="N",
            help=f"{told} (%(default)s)",
        )
    _add_choices(p, plan)
    p.add_argument(
        "--draw-certificates",
        action="store_true",
        help="panels' true reflectances differ from their certificates by an error drawn from the "
        "stated uncertainty; else they are equal",
    )
    p.add_argument(
        "--flat",
        action="store_true",
        help=f"record a uniform target filling the swath too, {plan.flat_lines} lines",
    )
    p.add_argument(
        "--save-truth",
        action="store_true",
        help="write truth.npz beside the flight: true gain, offset, response, dark and panels",
    )
    p.add_argument(
        "--fast",
        action="store_true",
        help="repeat one tile of noise: for measuring speed, never for statistics",
    )
    faults = "".join(f"\n  {name:<20}{told}" for name, told in sorted(TOLD.items()))
    p.add_argument(
        "--faults",
        default="",
        metavar="NAME,...",
        help="what goes wrong on the flight, in the order given; the names are listed below",
    )
    p.epilog = f"faults:{faults}"
    return p


def _add_choices(p: argparse.ArgumentParser, plan: FlightPlan) -> None:
    """The knobs that are one of a few words."""
    p.add_argument(
        "--interleave",
        choices=("bil", "bip", "bsq"),
        default=plan.interleave,
        help="order of the raw counts in the file: lines of bands of samples (bil), of samples of "
        "bands (bip), bands of lines of samples (bsq) (%(default)s)",
    )
    p.add_argument(
        "--format",
        choices=("netcdf", "zarr"),
        default=plan.output_format,
        help="output.format that flight.toml asks for (%(default)s)",
    )
    p.add_argument(
        "--where",
        choices=("window", "region", "search"),
        default=plan.where,
        help="how flight.toml says where the panels are: as lines and samples, as a named polygon "
        "of areas.kml, or not at all, to be searched on the image (%(default)s)",
    )


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
