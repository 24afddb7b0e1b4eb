"""Small simulated flights, made once a session, and their runs; read only unless copied."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import settings
from numpy.typing import NDArray

from pipeline.flight.run import RunResult, run
from pipeline.synthetic import FlightPlan, Truth, make_flight

# How long an example takes says how busy the computer is, and the first one loads libraries.
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")

PLAIN = FlightPlan(cubes=2, lines=100, samples=64, bands=30, dark_frames=100, seed=11)
#: Every correction at work: two drifting darks, flat, falling light with a log, track.
RICH = replace(
    PLAIN,
    seed=12,
    flat=True,
    flat_lines=200,
    illumination="irradiance log",
    irradiance_fall=0.08,
    dark_drift_counts=4.0,
    state_gain=True,
)


@dataclass(frozen=True)
class Flight:
    """A flight's folder, what it was made from, and the truth behind it."""

    folder: Path
    plan: FlightPlan
    truth: Truth

    @property
    def config(self) -> Path:
        return self.folder / "flight.toml"

    def counts(self, stem: str) -> NDArray[np.uint16]:
        """Raw counts (line, band, sample), read without the package."""
        plan = self.plan
        kind = ">u2" if plan.big_endian else "<u2"
        flat = np.fromfile(self.folder / "raw" / f"{stem}.raw", kind).astype(np.uint16)
        match plan.interleave:
            case "bil":
                return flat.reshape(-1, plan.bands, plan.samples)
            case "bip":
                return flat.reshape(-1, plan.samples, plan.bands).transpose(0, 2, 1)
            case _:
                return flat.reshape(plan.bands, -1, plan.samples).transpose(1, 0, 2)

    def copy(self, folder: Path) -> Flight:
        """The same flight elsewhere, to be changed or run."""
        ignored = shutil.ignore_patterns("results*")
        shutil.copytree(self.folder, folder, dirs_exist_ok=True, ignore=ignored)
        return dataclasses.replace(self, folder=folder)

    def edit(self, old: str, new: str, file: str = "flight.toml") -> Flight:
        """Replace text that must be there in one of the flight's files."""
        path = self.folder / file
        text = path.read_text()
        assert old in text, f"{old!r} is not in {file}"
        path.write_text(text.replace(old, new))
        return self


def _made(folder: Path, plan: FlightPlan) -> Flight:
    return Flight(folder, plan, make_flight(folder, plan))


@pytest.fixture(scope="session")
def make_flight_in() -> Callable[..., Flight]:
    """Make a flight: `make(folder, **knobs)`, the knobs upon those of the plain flight."""

    def make(folder: Path, **knobs: Any) -> Flight:
        return _made(folder, replace(PLAIN, **knobs))

    return make


@pytest.fixture(scope="session")
def plain_flight(tmp_path_factory: pytest.TempPathFactory) -> Flight:
    return _made(tmp_path_factory.mktemp("plain"), PLAIN)


@pytest.fixture(scope="session")
def rich_flight(tmp_path_factory: pytest.TempPathFactory) -> Flight:
    return _made(tmp_path_factory.mktemp("rich"), RICH)


@pytest.fixture(scope="session")
def plain_run(plain_flight: Flight) -> RunResult:
    return run(plain_flight.config, workers=2)


@pytest.fixture(scope="session")
def rich_run(rich_flight: Flight) -> RunResult:
    return run(rich_flight.config, workers=2)


@pytest.fixture
def plain_copy(plain_flight: Flight, tmp_path: Path) -> Flight:
    return plain_flight.copy(tmp_path / "flight")


@pytest.fixture
def rich_copy(rich_flight: Flight, tmp_path: Path) -> Flight:
    return rich_flight.copy(tmp_path / "flight")
