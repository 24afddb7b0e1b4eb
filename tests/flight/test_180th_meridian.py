"""A flight across the 180th meridian is like one a degree beside it."""

from __future__ import annotations

import csv
import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
import rasterio

from pipeline.flight.run import RunResult, run
from pipeline.inspect.exports import quicklooks, spectra
from pipeline.radiometry.angles import wrapped

#: Noon at the 180th meridian.
NOON = dt.datetime(2026, 6, 18, 0, 20, tzinfo=dt.UTC)
REGIONS = ["kml", "geojson"]


def flown(make: Callable[..., Any], folder: Path, longitude: float, regions: str) -> RunResult:
    flight = make(
        folder, where="region", longitude=longitude, start=NOON, lines=160, samples=96, bands=24,
        dark_frames=40, regions_format=regions,
    )  # fmt: skip
    return run(flight.config, workers=2)


@pytest.fixture(scope="module", params=REGIONS)
def two(
    request: pytest.FixtureRequest,
    tmp_path_factory: pytest.TempPathFactory,
    make_flight_in: Callable[..., Any],
) -> tuple[RunResult, RunResult]:
    folder = tmp_path_factory.mktemp("meridian")
    across = flown(make_flight_in, folder / "across", 180.0, request.param)
    beside = flown(make_flight_in, folder / "beside", 179.0, request.param)
    return across, beside


def attributes(result: RunResult) -> dict[str, Any]:
    with h5py.File(result.folder / "strip-00.nc") as cube:
        return dict(cube.attrs)


def values(result: RunResult, name: str) -> np.ndarray[Any, Any]:
    with h5py.File(result.folder / "strip-00.nc") as cube:
        return np.asarray(cube[name][()])


def test_the_checks_see_the_same_flight(two: tuple[RunResult, RunResult]) -> None:
    rows = [{row["check"]: row for row in r.document["checks"]} for r in two]  # type: ignore[attr-defined]
    for name in ("sun-elevation", "coverage", "along-track", "panel-samples", "panel-age"):
        a, b = rows[0][name], rows[1][name]
        assert a["verdict"] == b["verdict"], name
        # A degree of longitude is four minutes of the sun.
        assert a["value"] == pytest.approx(b["value"], rel=0.02), name
    assert rows[0]["sun-elevation"]["value"] > 50
    np.testing.assert_array_equal(*(values(r, "reflectance") for r in two))


def test_positions_are_the_same(two: tuple[RunResult, RunResult]) -> None:
    longitude, beside = (values(r, "longitude") for r in two)
    assert longitude.min() < -179.9 < 179.9 < longitude.max()
    np.testing.assert_allclose(wrapped(longitude - 1 - beside), 0, rtol=0, atol=1e-8)


def test_extents_are_those_of_acdd(two: tuple[RunResult, RunResult]) -> None:
    """ACDD 1.3, geospatial_lon_max: 'geospatial_lon_min=170 and geospatial_lon_max=-175
    incorporates 15 degrees of longitude'."""
    found = attributes(two[0])
    west, east = found["geospatial_lon_min"], found["geospatial_lon_max"]
    assert 179.9 < west < 180
    assert -180 < east < -179.9
    assert 0 < east + 360 - west < 0.01
    beside = attributes(two[1])
    assert beside["geospatial_lon_min"] < beside["geospatial_lon_max"]


def test_spectra_of_regions_and_quicklooks(
    two: tuple[RunResult, RunResult], tmp_path: Path
) -> None:
    flights = [r.folder.parents[2] for r in two]
    tables = []
    for i, (result, flight) in enumerate(zip(two, flights, strict=True)):
        areas = next(flight.glob("areas.*"))
        target = spectra(result.folder, areas, tmp_path / f"{i}.csv")
        with target.open(newline="") as file:
            tables.append(list(csv.reader(file))[1:])
    names = [[row[:2] for row in rows] for rows in tables]
    numbers = [np.array([[float(cell) for cell in row[2:]] for row in rows]) for rows in tables]
    assert names[0] == names[1]
    # Light taken as constant is as uncertain as the sun moves, and 0.1 degree on it moves so.
    np.testing.assert_allclose(numbers[0], numbers[1], rtol=1e-4)
    picture = next(iter(quicklooks(two[0].folder, "strip-00", tmp_path / "q")))
    with rasterio.open(picture) as found:
        points, _ = found.gcps
    east = [point.x for point in points]
    assert max(east) - min(east) < 0.01


def test_the_page_names_a_place_on_the_map(two: tuple[RunResult, RunResult]) -> None:
    page = (two[0].folder / "report.html").read_text()
    place = page.partition("The middle is at latitude")[2].partition("longitude ")[2][:12]
    assert abs(float(place.split(".")[0])) in (179, 180)
