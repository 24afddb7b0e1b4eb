"""Finished runs of a season, as far as the record reads them: quantities drawn, not flown.

The scatter was set beforehand, and is that of flown ones or above it in all but the falloff (0.2 %
here, 0.5 % flown): `tests/benchmarks/bench_camera_record.py` flies simulated flights and prints it.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from pipeline.write.quantities import Camera, PanelQuantity, Quantities, Quantity
from pipeline.write.run_record import RunRecord

CAMERA = Camera(
    serial_number="L-2041", bands=120, samples=96, first_nm=400.0, last_nm=1000.0,
    wavelengths="f8517c36b269", exposure_ms=2.4, gain=1.0,
)  # fmt: skip
PANELS = ("grey-03", "grey-12", "grey-24", "grey-50")
#: Standard deviation from flight to flight, and the standard uncertainty that a run states.
SCATTER: Mapping[str, tuple[float, float]] = {
    "dark_level": (0.10, 0.10),
    "dark_noise": (0.0011, 0.0011),
    "electrons_per_count": (0.025, 0.024),
    "wavelength_shift": (0.07, 0.17),
    "smile": (0.05, 0.06),
    "falloff": (0.002, 0.002),
    "panel": (0.003, 0.002),
}
TRUTH = {
    "dark_level": 100.0, "dark_noise": 1.62, "electrons_per_count": 5.2,
    "wavelength_shift": 0.1, "smile": 0.12, "falloff": -0.004,
}  # fmt: skip


@dataclass(frozen=True)
class Change:
    """What happens to the camera from a flight on, or flight by flight."""

    quantity: str = ""
    add: float = 0.0
    times: float = 1.0
    since: int = 24  # flight 25 is the first
    every: float = 0.0  # added with each flight after the tenth, in standard deviations

    def of(self, key: str, value: float, flight: int) -> float:
        if key != self.quantity:
            return value
        if flight >= self.since:
            value = (value + self.add) * self.times
        return value + self.every * max(flight - 9, 0) * SCATTER[key][0]


@dataclass
class Season:
    """Flights of one camera, drawn."""

    seed: int = 1
    change: Change = Change()
    camera: Camera = CAMERA
    temperatures: Sequence[float] = ()
    certificates: Mapping[str, Sequence[tuple[int, str, str]]] = field(default_factory=dict)
    start: dt.datetime = dt.datetime(2026, 3, 3, 10, 0, tzinfo=dt.UTC)

    def flights(self, number: int = 40) -> list[Quantities]:
        rng = np.random.default_rng(self.seed)
        return [self._flight(i, rng) for i in range(number)]

    def _flight(self, i: int, rng: np.random.Generator) -> Quantities:
        drawn = {
            key: Quantity(
                value=self.change.of(key, truth, i) + float(rng.normal(0, SCATTER[key][0])),
                uncertainty=SCATTER[key][1],
            )
            for key, truth in TRUTH.items()
        }
        warm = self.temperatures[i] if self.temperatures else 34.0
        level = {p: 0.0 + float(rng.normal(0, SCATTER["panel"][0])) for p in PANELS}
        if self.change.quantity in PANELS and i >= self.change.since:
            level[self.change.quantity] += float(np.log(self.change.times))
        mean = sum(level.values()) / len(level)
        flown = self.start + dt.timedelta(days=3 * i)
        return Quantities(
            flown=flown.strftime("%Y-%m-%dT%H:%M:%SZ"),
            camera=self.camera,
            bad_elements=Quantity(value=4.0),
            which_bad="17 203-205",
            sensor_temperature=Quantity(value=warm),
            panels=tuple(self._panel(p, level[p] - mean, i) for p in PANELS),
            **drawn,
        )

    def _panel(self, name: str, level: float, flight: int) -> PanelQuantity:
        given = self.certificates.get(name, ((0, f"{name}.csv", "2026-03-02"),))
        _, file, measured = [row for row in given if row[0] <= flight][-1]
        return PanelQuantity(
            panel=name,
            level=Quantity(value=level, uncertainty=SCATTER["panel"][1]),
            certificate=f"certificates/{file}",
            certificate_sha256=hashlib.sha256(file.encode()).hexdigest(),
            measured=measured,
        )


def finished(folder: Path, flight: str, quantities: Quantities | None, run_id: str = "") -> Path:
    """A finished run's folder with its `run.json`; its path."""
    run_id = run_id or hashlib.sha256(flight.encode()).hexdigest()[:12]
    place = folder / flight / run_id
    place.mkdir(parents=True)
    (place / "run.json").write_text(record_of(flight, quantities, run_id).to_text())
    return place


def record_of(flight: str, quantities: Quantities | None, run_id: str) -> RunRecord:
    return RunRecord(
        run_id=run_id,
        flight=flight,
        software="reflectory 0.1.0",
        started="2026-06-18T11:20:04Z",
        ended="2026-06-18T11:20:05Z",
        outcome="whole",
        verdict="good",
        says="The flight is good.",
        cubes=(),
        panels=(),
        checks=(),
        quantities=quantities,
        timings={},
        config={},
        config_sha256="0" * 64,
    )


def season(folder: Path, made: Season, number: int = 40) -> Path:
    """A campaign's results; the folder."""
    for i, quantities in enumerate(made.flights(number)):
        finished(folder, f"flight-{i + 1:02d}", quantities)
    return folder


def with_bad(quantities: Quantities, which: str, count: int) -> Quantities:
    return replace(quantities, which_bad=which, bad_elements=Quantity(value=float(count)))
