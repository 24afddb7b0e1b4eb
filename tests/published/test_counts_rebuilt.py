"""Raw counts rebuilt from a cube file alone, by its own attributes' equations.

Derived, no source: reflectance = offset + gain * signal / irradiance_ratio with
signal = (counts - dark) / relative_response, so half a packing step of reflectance is
step / 2 * |irradiance_ratio * relative_response / gain| counts.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest
from uncertainties import correlated_values, ufloat

import pipeline
from pipeline.synthetic import FlightPlan


def rebuilt(path: Path) -> tuple[Any, Any, Any]:
    """Counts (line, band, sample), the half packing step in counts, and where there is a value."""
    with netCDF4.Dataset(path) as nc:
        r = np.ma.filled(nc["reflectance"][:].astype(float), np.nan).transpose(1, 0, 2)
        v = {name: np.ma.filled(nc[name][...].astype(float), np.nan) for name in (
            "empirical_gain", "empirical_offset", "irradiance_ratio", "dark_mean", "dark_change",
            "dark_weight", "relative_response",
        )}  # fmt: skip
        step = float(nc["reflectance"].scale_factor)
    q = v["irradiance_ratio"][:, None, None]
    gain, offset = v["empirical_gain"][:, None], v["empirical_offset"][:, None]
    dark = v["dark_mean"] + v["dark_weight"][:, None, None] * v["dark_change"]
    counts = (r - offset) * q / gain * v["relative_response"] + dark
    half = np.abs(step / 2 * q * v["relative_response"] / gain)
    return counts, half, np.isfinite(r)


@pytest.mark.parametrize("stem", ["strip-00", "strip-01"])
def test_counts_come_back_from_a_cube_with_every_correction(
    rich_run: Any, rich_flight: Any, stem: str
) -> None:
    counts, half, there = rebuilt(rich_run.folder / f"{stem}.nc")
    raw = rich_flight.counts(stem)
    error = np.abs(counts - raw)[there]
    # float32 arithmetic on 12-bit counts adds at most a few parts in ten million of 4095.
    assert (error <= np.broadcast_to(half, counts.shape)[there] + 2e-3).all()
    assert there.mean() > 0.95
    # The step is finer than a count here: the very integers come back.
    np.testing.assert_array_equal(np.rint(counts[there]), raw[there])
    # The corrections that were undone were there to be undone.
    with netCDF4.Dataset(rich_run.folder / f"{stem}.nc") as nc:
        assert np.ptp(nc["irradiance_ratio"][:]) > 0.001
        assert np.ptp(nc["relative_response"][:]) > 0.005
        assert abs(float(np.mean(nc["dark_change"][:]))) > 3
        assert np.ptp(nc["dark_weight"][:]) > 0


def test_counts_come_back_where_only_the_impossible_is_blank(rich_copy: Any) -> None:
    text = rich_copy.config.read_text()
    rich_copy.config.write_text(text + '\n[quality]\nblank = ["no_calibration"]\n')
    result = pipeline.run(rich_copy.config)
    counts, half, there = rebuilt(result.folder / "strip-00.nc")
    raw = rich_copy.counts("strip-00")
    assert (np.abs(counts - raw)[there] <= np.broadcast_to(half, counts.shape)[there] + 2e-3).all()
    assert there.mean() > 0.995


def test_uncertainty_in_the_file_is_the_law_of_propagation_on_its_own_variables(
    rich_run: Any,
) -> None:
    """JCGM 100:2008, 5.2.2, by the `uncertainties` package, from the file alone."""
    path = rich_run.folder / "strip-00.nc"
    counts, _, there = rebuilt(path)
    with netCDF4.Dataset(path) as nc:
        v = {n: np.ma.filled(nc[n][...].astype(float), np.nan) for n in nc.variables if n != "time"}
    rng = np.random.default_rng(3)
    places = np.argwhere(there)
    for i, b, s in places[rng.choice(len(places), 150, replace=False)]:
        at = (b, s)
        middle = v["dark_mean"][at] + v["dark_weight"][i] * v["dark_change"][at]
        electrons = max(counts[i, b, s] - middle, 1e-12) / v["electrons_per_count"]
        own = np.hypot(v["dark_noise"][at], np.sqrt(electrons))
        n = ufloat(counts[i, b, s], own)
        dark = ufloat(middle, v["dark_mean_uncertainty"][at])
        f = ufloat(v["relative_response"][at], v["relative_response_uncertainty"][at])
        q = ufloat(v["irradiance_ratio"][i], max(v["irradiance_ratio_uncertainty"][i], 1e-12))
        cov = v["empirical_gain_offset_covariance"][b]
        g, a = correlated_values(
            [v["empirical_gain"][b], v["empirical_offset"][b]],
            [
                [v["empirical_gain_uncertainty"][b] ** 2, cov],
                [cov, v["empirical_offset_uncertainty"][b] ** 2],
            ],
        )
        wanted = (a + g * ((n - dark) / f) / q).std_dev
        got = v["reflectance_uncertainty"][b, i, s]
        # Half a unit of the second digit.
        half = 0.5 * 10.0 ** (np.floor(np.log10(wanted)) - 1)
        assert got == pytest.approx(wanted, abs=half + 1e-3 * wanted)


def test_the_simulated_flight_has_what_this_needs(rich_flight: Any) -> None:
    plan: FlightPlan = rich_flight.plan
    assert len(plan.dark_captures) == 2
    assert plan.dark_drift_counts > 1
    assert plan.irradiance_fall > 0
    assert plan.flat
