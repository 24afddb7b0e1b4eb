from pathlib import Path

import pytest

from pipeline.synthetic import FlightPlan, Truth, make_flight

SMALL = FlightPlan(cubes=2, lines=128, samples=64, bands=61, dark_frames=200, seed=7)


@pytest.fixture(scope="session")
def small_plan() -> FlightPlan:
    return SMALL


@pytest.fixture(scope="session")
def small_flight(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    """A flight folder and its truth; read only."""
    folder = tmp_path_factory.mktemp("flight")
    return folder, make_flight(folder, SMALL)
