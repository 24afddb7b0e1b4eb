"""A detector that is not linear: what its table gives back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest

import pipeline

#: How a made-up detector bends: 15 % less at saturation than at the start.
BEND = 0.15 / 4000


def bent(counts: Any) -> Any:
    """Recorded counts of linear ones: n (1 - BEND n)."""
    return counts * (1 - BEND * counts)


@pytest.fixture(scope="module")
def flights(tmp_path_factory: pytest.TempPathFactory, make_flight_in: Callable[..., Any]) -> Any:
    """A linear flight, and the same one with every count bent."""
    straight = make_flight_in(tmp_path_factory.mktemp("straight"), seed=91, manifest=False)
    folder = tmp_path_factory.mktemp("bent") / "flight"
    curved = straight.copy(folder)
    for path in (folder / "raw").glob("*.raw"):
        counts = np.fromfile(path, "<u2").astype(np.float64)
        np.rint(bent(counts)).astype("<u2").tofile(path)
    return straight, curved


def reflectance(run: Any) -> Any:
    with netCDF4.Dataset(run.folder / "strip-01.nc") as nc:
        return nc["reflectance"][:].filled(np.nan)


def with_table(flight: Any, folder: Path) -> Any:
    linear = np.linspace(0, 5000, 51)
    rows = [f"{n:.3f},{m:.3f}" for n, m in zip(bent(linear), linear, strict=True)]
    mended = flight.copy(folder)
    (folder / "linearity.csv").write_text("\n".join(["counts,linear_counts", *rows]) + "\n")
    return mended.edit("[sensor]", '[sensor]\nlinearity = "linearity.csv"')


def test_the_table_gives_back_what_the_detector_bent(flights: Any, tmp_path: Path) -> None:
    straight, curved = flights
    wanted = reflectance(pipeline.run(straight.config))
    plain = reflectance(pipeline.run(curved.config))
    mended = reflectance(pipeline.run(with_table(curved, tmp_path / "mended").config))
    off, left = (np.nanmedian(np.abs(one / wanted - 1)) for one in (plain, mended))
    assert off > 0.01
    assert left < 0.1 * off


def test_the_table_is_an_input_and_its_reader_gives_the_lazy_numbers(
    flights: Any, tmp_path: Path
) -> None:
    flight = with_table(flights[1], tmp_path / "flight")
    first = pipeline.run(flight.config)
    assert any(item.endswith("linearity.csv") for item in first.document["entity"])
    lazy = pipeline.reflectance(flight.config, "strip-01")["reflectance"].values
    np.testing.assert_array_equal(lazy, reflectance(first).astype(np.float32))
    flight.edit("5000.000", "5001.000", "linearity.csv")
    second = pipeline.run(flight.config)
    assert second.folder != first.folder
