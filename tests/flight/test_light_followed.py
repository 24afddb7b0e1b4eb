"""Irradiance that falls by 12 %: with a log, with panel passes, and with nothing."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest

import pipeline
from pipeline.synthetic import true_reflectance

FALL = 0.12
KNOBS = {"cubes": 3, "panel_passes": 2, "irradiance_fall": FALL, "bands": 24}


def bias(flight: Any, run: Any) -> np.ndarray:
    """Mean relative error of each cube, median over bands: sum of errors over sum of truth."""
    told = []
    for i, stem in enumerate(flight.plan.stems):
        wanted = true_reflectance(flight.plan, i).transpose(1, 0, 2)
        with netCDF4.Dataset(run.folder / f"{stem}.nc") as nc:
            clear = nc["quality_flag"][:].data == 0
            error = np.where(clear, nc["reflectance"][:].filled(0) - wanted, 0)
        truth = np.where(clear, wanted, 0)
        told.append(np.median(error.sum(axis=(1, 2)) / truth.sum(axis=(1, 2))))
    return np.array(told)


def rows(document: Any) -> dict[str, Any]:
    return {c["check"]: c for c in document["checks"]}


def percent_in(says: str) -> float:
    return float(re.search(r"([\d.]+) %", says)[1])  # type: ignore[index]


@pytest.mark.parametrize("method", ["irradiance log", "panel passes"])
def test_a_corrected_fall_leaves_less_than_half_a_percent(
    method: str, tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, seed=41, illumination=method, **KNOBS)
    run = pipeline.run(flight.config)
    assert np.abs(bias(flight, run)).max() < 0.005
    row = rows(run.document)["illumination"]
    assert row["verdict"] == "pass"
    assert row["value"] == pytest.approx(FALL, abs=0.012)
    assert "which is corrected" in row["says"]
    assert rows(run.document)["panel-repeat"]["verdict"] == "pass"


def test_an_uncorrected_fall_is_measured_by_the_panels_and_by_the_log(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, seed=41, **KNOBS)
    run = pipeline.run(flight.config)
    assert np.ptp(bias(flight, run)) > 0.05  # what the test above would see
    row = rows(run.document)
    assert row["panel-repeat"]["verdict"] == "caution"
    assert row["illumination"]["verdict"] == "caution"
    assert percent_in(row["panel-repeat"]["says"]) == pytest.approx(100 * FALL, abs=1.2)
    assert percent_in(row["illumination"]["says"]) == pytest.approx(100 * FALL, abs=1.2)
    assert "not corrected" in row["illumination"]["says"]


def test_without_a_log_the_panel_passes_say_how_much_the_light_changed(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, seed=41, **KNOBS)
    text = flight.config.read_text()
    kept = [line for line in text.splitlines() if not line.startswith("irradiance")]
    assert len(kept) < len(text.splitlines())
    flight.config.write_text("\n".join(kept) + "\n")
    row = rows(pipeline.run(flight.config).document)
    for name in ("panel-repeat", "illumination"):
        assert row[name]["verdict"] == "caution", row[name]
        assert percent_in(row[name]["says"]) == pytest.approx(100 * FALL, abs=1.2)
    assert row["illumination-steps"]["verdict"] == "not checked"


SUN: dict[str, Any] = {
    "cubes": 4,
    "bands": 24,
    "turn_s": 900.0,
    "sun_moves": True,
    "start": dt.datetime(2026, 6, 18, 7, 0, tzinfo=dt.UTC),
}


def flown_under_the_sun(flight: Any, method: str) -> Any:
    """The run of a flight whose config names a method; without the log, which knows it all."""
    flight.edit('illumination = "constant"', f'illumination = "{method}"')
    text = flight.config.read_text()
    flight.config.write_text("".join(x for x in text.splitlines(True) if "irradiance =" not in x))
    return pipeline.run(flight.config)


def within_twice(flight: Any, run: Any) -> float:
    """Share of the last cube's samples within twice their stated standard uncertainty."""
    wanted = true_reflectance(flight.plan, 3).transpose(1, 0, 2)
    with netCDF4.Dataset(run.folder / f"{flight.plan.stems[3]}.nc") as nc:
        clear = nc["quality_flag"][:].data == 0
        z = (nc["reflectance"][:] - wanted) / nc["reflectance_uncertainty"][:]
    return float((np.abs(z) <= 2)[clear].mean())


def test_a_clear_sky_follows_the_sun(tmp_path: Path, make_flight_in: Callable[..., Any]) -> None:
    """45 minutes of a morning under Haurwitz's sky (1945), followed by Bird and Riordan's."""
    run = flown_under_the_sun(flight := make_flight_in(tmp_path, seed=43, **SUN), "clear sky")
    assert np.abs(bias(flight, run)).max() < 0.02
    assert within_twice(flight, run) > 0.93
    row = rows(run.document)
    assert row["illumination"]["verdict"] == "pass"
    assert row["illumination"]["value"] > 0.1
    assert "cloudless sky" in row["illumination-known"]["says"]
    with netCDF4.Dataset(run.folder / f"{flight.plan.stems[3]}.nc") as nc:
        assert nc["irradiance_ratio"].dimensions == ("wavelength", "line")


def test_light_taken_as_constant_is_as_uncertain_as_the_sun_moves(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    run = flown_under_the_sun(flight := make_flight_in(tmp_path, seed=43, **SUN), "constant")
    assert bias(flight, run)[-1] > 0.1  # the light rose, and was not corrected
    assert within_twice(flight, run) > 0.93
