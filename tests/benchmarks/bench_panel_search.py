"""Are panels found where they are? Simulated flights of varied scenes, panels and cameras.

Run from the checkout: `python tests/benchmarks/bench_panel_search.py [FLIGHTS]`. On every flight
the strips also get uniform patches that are no panels: sand, a pond, dry grass, a concrete slab.
A window is right when it lies inside the named panel's fully covered pixels; a refusal is no
error, a wrong window is.
"""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.panels.image_search import find_windows
from pipeline.calibrate.panels.readings import PanelWindow, references
from pipeline.calibrate.recording import Recording, read_recording
from pipeline.config.flight import Config, load_config
from pipeline.errors import CalibrationError
from pipeline.read.inventory import take_inventory
from pipeline.read.tables import Track
from pipeline.records import Array, Array32, Capture, Mask, PanelReference
from pipeline.synthetic import FlightPlan, PanelPlan, Truth, make_flight

FLIGHTS = 50
MOST_REFUSED = 5

#: Reflectance sets of panels as they are sold, dark to bright.
SETS = (
    (0.03, 0.12, 0.24, 0.50),
    (0.05, 0.50),
    (0.02, 0.10, 0.48),
    (0.03, 0.22, 0.44, 0.56),
    (0.11, 0.23, 0.36, 0.54),
    (0.08, 0.32),
)


@dataclass(frozen=True, eq=False)
class Flight:
    """A simulated flight as `find_windows` takes it."""

    config: Config
    recording: Recording
    references: list[PanelReference]
    truth: Truth

    def signal_of(self, capture: Capture, lines: NDArray[np.intp], counts: NDArray[Any]) -> Array32:
        """Signal with the true dark of the strip's middle."""
        time_s = float(np.mean(self.recording.times[capture.name].time_s))
        return counts.astype(np.float32) - self.truth.dark_at(time_s)

    def find(self, track: Track | None = None) -> list[PanelWindow]:
        """The windows found."""
        return find_windows(
            self.config,
            replace(self.recording, track=track or self.recording.track),
            self.references,
            self.signal_of,
            self.truth.bad.any,
        )

    def only(self, cubes: slice) -> Flight:
        """The flight with some of its cubes."""
        inventory = self.recording.inventory
        kept = replace(inventory, cubes=inventory.cubes[cubes])
        return replace(self, recording=replace(self.recording, inventory=kept))


def opened(folder: Path, truth: Truth) -> Flight:
    """A flight on disk, without its darks."""
    config = load_config(folder / "flight.toml")
    recording = read_recording(config, take_inventory(config))
    return Flight(config, recording, references(config, recording.cubes[0]), truth)


def plant(folder: Path, truth: Truth, cube: int, mask: Mask, reflectance: Array, seed: int) -> None:
    """Lay a uniform surface over the pixels of a mask, (line, sample), in a strip's raw file."""
    plan = truth.plan
    path = folder / "raw" / f"{plan.stems[cube]}.raw"
    raw = np.memmap(path, "<u2", "r+", shape=(plan.lines, plan.bands, plan.samples))
    line, sample = np.nonzero(mask)
    rng = np.random.default_rng(seed)
    dark = truth.dark_at(float(truth.line_time_s[cube].mean()))
    apparent = (reflectance - truth.offset)[:, None] * truth.white_signal * truth.response
    light = (apparent[:, sample] * truth.irradiance_ratio[cube][line]).astype(np.float64)
    variance = light / plan.electrons_per_count + truth.read_noise_counts[:, sample] ** 2
    counts = dark[:, sample] + light + np.sqrt(variance) * rng.standard_normal(light.shape)
    raw[line, :, sample] = np.clip(np.rint(counts), 0, plan.full_scale_counts).T.astype(np.uint16)
    raw.flush()


def natural(wavelength_nm: Array) -> dict[str, Array]:
    """Reflectances of uniform surfaces that are no panels, (band,); plausible, not measured."""
    x = (wavelength_nm - 400.0) / 600.0
    return {
        "sand": 0.15 + 0.25 * np.sqrt(x),
        "pond": 0.05 * np.exp(-2.5 * x) + 0.003,
        "dry grass": 0.06 + 0.3 * x,
        "concrete": 0.24 + 0.12 * x,
    }


def varied(seed: int, **changes: Any) -> FlightPlan:
    """A plan drawn at random, every knob that the search may feel."""
    rng = np.random.default_rng(seed)
    side = int(rng.integers(12, 41))
    panels = tuple(
        PanelPlan(
            f"grey-{100 * r:02.0f}",
            r,
            light=float(rng.normal(1.0, 0.01)),
            blue_loss=float(rng.choice([0.0, 0.0, 0.05])),
        )
        for r in rng.permutation(SETS[seed % len(SETS)])
    )
    passes = int(rng.integers(1, 3))
    drawn: dict[str, Any] = {
        "seed": seed,
        "cubes": 2,
        "lines": int(rng.integers(260, 420)) if seed % 5 else 1060,
        "samples": int(rng.integers(160, 260)),
        "bands": int(rng.integers(24, 90)),
        "dark_frames": 4,
        "where": "search",
        "panels": panels,
        "panel_samples": side,
        "panel_passes": passes,
        "certificate_error": "draw",
        "electrons_per_count": float(rng.uniform(2.0, 12.0)),
        "read_noise_counts": float(rng.uniform(1.0, 4.0)),
        "peak_share": float(rng.uniform(0.6, 0.85)),
        "exposure_factor": float(rng.choice([1.0, 1.0, 1.0, 1.3, 0.5])),
        "path_reflectance": float(rng.uniform(0.0, 0.008)),
        "speed_m_s": float(rng.uniform(3.5, 4.8)),
        "irradiance_fall": float(rng.uniform(0.0, 0.1)),
        "response_spread": float(rng.uniform(0.001, 0.006)),
        "vignetting": float(rng.uniform(0.0, 0.01)),
        "bad_share": 3e-4,
    }
    return FlightPlan(**(drawn | changes))


def with_distractors(folder: Path, truth: Truth) -> None:
    """Uniform surfaces below the panels, in every strip."""
    plan = truth.plan
    rng = np.random.default_rng(plan.seed)
    line, sample = np.indices((plan.lines, plan.samples))
    top = plan.panel_rows_end
    for cube in range(plan.cubes):
        for number, (name, reflectance) in enumerate(natural(plan.wavelength_nm).items()):
            middle = (0.125 + 0.25 * number) * plan.samples
            half_l, half_s = rng.integers(7, 15), rng.integers(7, int(plan.samples / 9))
            dl, ds = line - top - 20, sample - middle
            if name == "pond":
                mask = (dl / half_l) ** 2 + (ds / half_s) ** 2 < 1
            else:
                mask = (np.abs(dl) < half_l) & (np.abs(ds) < half_s)
            plant(folder, truth, cube, mask, rng.uniform(0.7, 1.2) * reflectance, plan.seed + cube)


def outcome(flight: Flight) -> tuple[str, str]:
    """ "right", "refused" or "wrong", and why."""
    try:
        windows = flight.find()
    except CalibrationError as error:
        return "refused", str(error)
    cores = {panel.name: panel.windows for panel in flight.truth.panels}
    for window in windows:
        core = cores[window.panel].get(window.cube)
        if core is None:
            return "wrong", f"{window}: the strip does not see the panel"
        for (a, b), (c, d) in zip((window.lines, window.samples), core, strict=True):
            if not c <= a < b <= d:
                return "wrong", f"{window}: beyond {core}"
    missing = set(cores) - {w.panel for w in windows}
    return ("wrong", f"nothing said of {missing}") if missing else ("right", "")


def study(seed: int, **changes: Any) -> tuple[str, str]:
    """The outcome of one flight, made and removed again."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        truth = make_flight(folder, varied(seed, **changes))
        with_distractors(folder, truth)
        return outcome(opened(folder, truth))


def main(flights: int = FLIGHTS) -> int:
    """Print the count of outcomes; exit 1 for a wrong window or too many refusals."""
    count = dict.fromkeys(("right", "refused", "wrong"), 0)
    began = time.perf_counter()
    for seed in range(flights):
        kind, why = study(seed)
        count[kind] += 1
        if why:
            print(f"flight {seed}: {kind}: {why}")
    took = time.perf_counter() - began
    print(f"{flights} flights in {took:.0f} s: " + ", ".join(f"{n} {k}" for k, n in count.items()))
    return int(count["wrong"] > 0 or count["refused"] > MOST_REFUSED * flights / FLIGHTS)


if __name__ == "__main__":
    raise SystemExit(main(int(sys.argv[1]) if len(sys.argv) > 1 else FLIGHTS))
