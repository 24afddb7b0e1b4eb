"""Simulated flights against what they were made of."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest

import pipeline
from pipeline.flags import QualityFlag as Q
from pipeline.synthetic import PanelPlan, true_reflectance

#: The run may be this much worse than the same line with true gain, offset and dark.
RMSE_RATIO = 1.15
SIZE = {"lines": 128, "samples": 96, "bands": 40, "dark_frames": 120, "bad_share": 1.5e-3}
DRIFT = {"dark_drift_counts": 4.0}
FLAT = {"flat": True, "flat_lines": 300}
LIGHT = {"illumination": "irradiance log", "irradiance_fall": 0.1}


def errors(flight: Any, run: Any, ignored: int = 0) -> dict[str, Any]:
    """Squares of errors of the run and of the true line, and what was flagged, over all cubes.

    A sample counts when it has no flag but those that are `ignored`.
    """
    plan, truth = flight.plan, flight.truth
    told: dict[str, Any] = {"run": 0.0, "true": 0.0, "n": 0, "missed": 0, "saturated": 0, "z": []}
    for i, stem in enumerate(plan.stems):
        raw, wanted = flight.counts(stem), true_reflectance(plan, i)
        with netCDF4.Dataset(run.folder / f"{stem}.nc") as nc:
            r, u = (
                np.ma.filled(nc[name][:].astype(float), np.nan).transpose(1, 0, 2)
                for name in ("reflectance", "reflectance_uncertainty")
            )
            flags = nc["quality_flag"][:].data.transpose(1, 0, 2)
        dark = np.stack([truth.dark_at(t) for t in truth.line_time_s[i]])
        signal = (raw - dark) / (truth.response if plan.flat else 1)
        best = (
            truth.offset[:, None]
            + truth.gain[:, None] * signal / (truth.irradiance_ratio[i][:, None, None])
        )
        clear = (flags & ~np.uint8(ignored)) == 0
        told["run"] += ((r - wanted)[clear] ** 2).sum()
        told["true"] += ((best - wanted)[clear] ** 2).sum()
        told["n"] += int(clear.sum())
        told["z"].append(((r - wanted) / u)[clear])
        white = raw >= plan.saturation_counts
        told["saturated"] += int(white.sum())
        told["missed"] += int((white & (flags & Q.SATURATED == 0)).sum())
        called = (flags & Q.BAD_ELEMENT) != 0
        assert (called.all(axis=0) == called.any(axis=0)).all()
        told["called"] = called.all(axis=0)
    told["z"] = np.concatenate(told["z"])
    return told


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("knobs", [DRIFT, DRIFT | FLAT, DRIFT | FLAT | LIGHT],
                         ids=["drift", "flat", "light"])  # fmt: skip
def test_reflectance_is_as_good_as_with_the_true_line(
    seed: int, knobs: dict[str, Any], tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, seed=seed, **SIZE, **knobs)
    told = errors(flight, pipeline.run(flight.config, workers=2))
    assert told["n"] > 0.6 * 2 * 128 * 96 * 40
    assert np.sqrt(told["run"] / told["true"]) <= RMSE_RATIO
    assert told["missed"] == 0
    # Stated uncertainty holds what it says: k = 2 covers about 95 %.
    assert 0.93 < float((np.abs(told["z"]) < 2).mean()) < 0.975
    bad = flight.truth.bad.any
    assert (told["called"] & bad).sum() >= 0.95 * bad.sum()
    assert (told["called"] & ~bad).sum() <= 0.001 * (~bad).sum()


@pytest.mark.parametrize("seed", [1, 2])
def test_with_certificates_that_err_as_they_say(
    seed: int, tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, seed=seed, certificate_error="draw", **SIZE, **DRIFT)
    told = errors(flight, pipeline.run(flight.config, workers=2))
    assert np.sqrt(told["run"] / told["true"]) <= RMSE_RATIO


def test_saturated_samples_are_all_flagged(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, seed=4, exposure_factor=1.9, **SIZE)
    told = errors(flight, pipeline.run(flight.config, workers=2))
    assert told["saturated"] > 1000
    assert told["missed"] == 0


def test_check_panel_is_only_predicted(tmp_path: Path, make_flight_in: Callable[..., Any]) -> None:
    """A wrong check certificate changes nothing but its own row."""
    flight = make_flight_in(tmp_path / "one", seed=5)
    one = pipeline.run(flight.config)
    other_flight = flight.copy(tmp_path / "two")
    path = other_flight.folder / "certificates" / "grey-12.csv"
    head, *rows = path.read_text().splitlines()
    cells = [row.split(",") for row in rows]
    path.write_text("\n".join([head, *(f"{a},{1.5 * float(b):.5f},{c}" for a, b, c in cells)]))
    two = pipeline.run(other_flight.config)
    for stem in flight.plan.stems:
        with (
            netCDF4.Dataset(one.folder / f"{stem}.nc") as a,
            netCDF4.Dataset(two.folder / f"{stem}.nc") as b,
        ):
            np.testing.assert_array_equal(a["reflectance"][:], b["reflectance"][:])
            np.testing.assert_array_equal(
                a["reflectance_uncertainty"][:], b["reflectance_uncertainty"][:]
            )
    verdicts = [
        {c["check"]: c["verdict"] for c in r.document["checks"]}["check-panel"] for r in (one, two)
    ]
    assert verdicts[0] == "pass"
    assert verdicts[1] in ("caution", "fail")


def test_one_panel_gives_the_gain_alone(tmp_path: Path, make_flight_in: Callable[..., Any]) -> None:
    panels = (PanelPlan("grey-50", 0.5),)
    flight = make_flight_in(tmp_path, seed=6, panels=panels, path_reflectance=0.0, **SIZE)
    run = pipeline.run(flight.config, workers=2)
    # One panel spans no range of reflectances.
    told = errors(flight, run, ignored=Q.OUTSIDE_PANEL_RANGE)
    assert np.sqrt(told["run"] / told["true"]) <= RMSE_RATIO
    with netCDF4.Dataset(run.folder / "strip-00.nc") as nc:
        assert (nc["empirical_offset"][:] == 0).all()
        np.testing.assert_allclose(nc["empirical_gain"][:], flight.truth.gain, rtol=0.02)


def test_interpolated_bad_elements_have_values_and_flags(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, seed=7, **SIZE)
    flight.config.write_text(
        flight.config.read_text() + "\n[quality]\ninterpolate_bad_elements = true\n"
    )
    run = pipeline.run(flight.config, workers=2)
    wanted = true_reflectance(flight.plan, 0)
    with netCDF4.Dataset(run.folder / "strip-00.nc") as nc:
        r = np.ma.filled(nc["reflectance"][:].astype(float), np.nan).transpose(1, 0, 2)
        flags = nc["quality_flag"][:].data.transpose(1, 0, 2)
    bad = (flags & Q.BAD_ELEMENT) != 0
    assert bad.sum() == flight.truth.bad.any.sum() * flight.plan.lines
    known = np.isfinite(r) & bad
    assert known.sum() > 0.95 * bad.sum()
    # Neighbours on the ground are alike: far better than a dead or hot element's own count.
    assert np.median(np.abs(r - wanted)[known]) < 0.05


def test_ends_of_the_band_range_are_trimmed_on_request(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, seed=8, exposure_factor=0.05)
    flight.config.write_text(flight.config.read_text() + "\n[quality]\ntrim_band_ends = true\n")
    run = pipeline.run(flight.config)
    with netCDF4.Dataset(run.folder / "strip-00.nc") as nc:
        kept = nc["wavelength"][:]
        assert 0 < kept.size < flight.plan.bands
        np.testing.assert_array_equal(
            kept, [w for w in flight.plan.wavelength_nm if kept[0] <= w <= kept[-1]]
        )
        assert nc["reflectance"].shape[0] == kept.size
        assert nc["dark_mean"].shape == (kept.size, flight.plan.samples)


def test_without_uncertainty_the_reflectance_is_the_same(plain_copy: Any, plain_run: Any) -> None:
    plain_copy.edit("[output]\n", "[output]\nuncertainty = false\n")
    run = pipeline.run(plain_copy.config)
    with (
        netCDF4.Dataset(run.folder / "strip-01.nc") as a,
        netCDF4.Dataset(plain_run.folder / "strip-01.nc") as b,
    ):
        assert "reflectance_uncertainty" not in a.variables
        assert a["reflectance"].ancillary_variables == "quality_flag"
        np.testing.assert_array_equal(a["reflectance"][:], b["reflectance"][:])
        np.testing.assert_array_equal(a["quality_flag"][:], b["quality_flag"][:])
    checks = {c["check"]: c["verdict"] for c in run.document["checks"]}
    assert checks["negative"] == "not checked"
