"""Light that falls more in the blue, followed by a log with a column a wavelength."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest
import xarray as xr

import pipeline
from pipeline.synthetic import true_reflectance

KNOBS: dict[str, Any] = {
    "illumination": "irradiance log",
    "irradiance_fall": 0.08,
    "blue_fall": 0.10,
    "cubes": 2,
    "lines": 240,
    # Panels of 32 samples' side, and no band so dim that a panel's own noise hides the light: a
    # steady flight of smaller ones to 1000 nm is half a percent off in its last band.
    "samples": 128,
    "last_nm": 900.0,
    "flat": True,
}


def departures(flight: Any, run: Any) -> tuple[Any, Any]:
    """Worst band's relative bias in the last strip, and each band's share inside k = 2."""
    cube = flight.plan.cubes - 1
    wanted = true_reflectance(flight.plan, cube).transpose(1, 0, 2).astype(np.float64)
    with netCDF4.Dataset(run.folder / f"{flight.plan.stems[cube]}.nc") as nc:
        found, u = nc["reflectance"][:], nc["reflectance_uncertainty"][:]
        clear = (nc["quality_flag"][:] == 0) & (wanted > 0.03)
    bias = [np.mean(f[c]) / np.mean(w[c]) - 1 for f, w, c in zip(found, wanted, clear, strict=True)]
    inside = np.abs(found - wanted) <= 2 * u
    return np.abs(bias).max(), inside[clear].mean()


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory, make_flight_in: Callable[..., Any]) -> Any:
    flight = make_flight_in(tmp_path_factory.mktemp("blue"), seed=71, **KNOBS)
    return flight, pipeline.run(flight.config)


def test_no_band_is_biased(flown: Any) -> None:
    flight, run = flown
    worst, _ = departures(flight, run)
    assert worst < 0.004


def test_a_broadband_log_would_leave_the_blue_low(flown: Any, tmp_path: Path) -> None:
    # The same flight with the columns' mean in place of the columns: the test above can fail.
    flight = flown[0].copy(tmp_path / "broad")
    head, *rows = (flight.folder / "irradiance.csv").read_text().splitlines()
    means = [f"{r.split(',')[0]},{np.mean([float(v) for v in r.split(',')[1:]])}" for r in rows]
    (flight.folder / "irradiance.csv").write_text("\n".join(["time_utc,irradiance", *means]) + "\n")
    assert head.count(",") > 20
    worst, _ = departures(flight, pipeline.run(flight.config))
    assert worst > 0.02


def test_intervals_hold_what_they_say(tmp_path: Path, make_flight_in: Callable[..., Any]) -> None:
    inside = []
    for seed in range(80, 88):
        flight = make_flight_in(tmp_path / str(seed), seed=seed, certificate_error="draw", **KNOBS)
        inside.append(departures(flight, pipeline.run(flight.config))[1])
    # Eight flights whose panels' errors are drawn: the mean's own scatter is some 2 %.
    assert 0.90 <= np.mean(inside) <= 0.995


def test_the_cube_holds_the_light_by_band_and_counts_come_back(flown: Any) -> None:
    flight, run = flown
    stem = flight.plan.stems[-1]
    with xr.open_dataset(run.folder / f"{stem}.nc") as cube:
        assert cube["irradiance_ratio"].dims == ("wavelength", "line")
        assert cube["irradiance_ratio_uncertainty"].dims == ("wavelength", "line")
        truth = flight.truth.ratio_by_band(flight.plan.cubes - 1).T
        np.testing.assert_allclose(cube["irradiance_ratio"], truth, rtol=2e-3)
        signal = (cube["reflectance"] - cube["empirical_offset"]) / cube["empirical_gain"]
        signal = signal * cube["irradiance_ratio"]
        dark = cube["dark_mean"] + cube["dark_weight"] * cube["dark_change"]
        counts = (signal * cube["relative_response"] + dark).transpose(
            "line", "wavelength", "sample"
        )
        step = 1e-4 / cube["empirical_gain"] * cube["irradiance_ratio"] * cube["relative_response"]
        known = np.isfinite(counts.values)
        off = np.abs(counts.values - flight.counts(stem))[known]
        limit = 0.51 * step.transpose("line", "wavelength", "sample").values[known] + 0.02
        assert (off <= limit).all()
        budget = pipeline.uncertainty_budget(cube, line=150, sample=20)
        whole = cube["reflectance_uncertainty"].isel(line=150, sample=20)
        np.testing.assert_allclose(budget["combined"], whole, rtol=0.06, atol=2e-5)
        assert float(budget["illumination"].max()) > 0


def test_the_lazy_dataset_has_the_same_numbers(flown: Any) -> None:
    flight, run = flown
    stem = flight.plan.stems[-1]
    lazy = pipeline.reflectance(flight.config, stem)
    with xr.open_dataset(run.folder / f"{stem}.nc") as cube:
        for name in ("reflectance", "reflectance_uncertainty", "irradiance_ratio"):
            np.testing.assert_array_equal(lazy[name].values, cube[name].values)
