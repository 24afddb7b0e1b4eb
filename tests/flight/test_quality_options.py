"""Bad elements interpolated on request, ends of the band range trimmed on request."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np

import pipeline
from pipeline.flags import QualityFlag as Q
from pipeline.synthetic import true_reflectance

SIZE = {"lines": 100, "samples": 64, "bands": 30, "bad_share": 2e-3, "cubes": 1}


def with_quality(flight: Any, text: str) -> Any:
    flight.config.write_text(flight.config.read_text() + f"\n[quality]\n{text}\n")
    return pipeline.run(flight.config)


def read(folder: Path, stem: str = "strip-00") -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Reflectance with NaN, its uncertainty and flags, (line, band, sample)."""
    with netCDF4.Dataset(folder / f"{stem}.nc") as nc:
        r, u = (
            np.ma.filled(nc[name][:].astype(float), np.nan).transpose(1, 0, 2)
            for name in ("reflectance", "reflectance_uncertainty")
        )
        return r, u, nc["quality_flag"][:].data.transpose(1, 0, 2)


def test_interpolated_elements_are_near_their_good_neighbours_and_flagged_all_the_same(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, seed=81, **SIZE)
    truth = true_reflectance(flight.plan, 0).astype(np.float64)
    plain, _, plain_flags = read(pipeline.run(flight.config).folder)
    filled, u, flags = read(with_quality(flight, "interpolate_bad_elements = true").folder)
    bad = (plain_flags & Q.BAD_ELEMENT) != 0
    assert bad[0].sum() >= 8
    assert np.isnan(plain[bad]).all()
    np.testing.assert_array_equal((flags & Q.BAD_ELEMENT) != 0, bad)
    known = bad & np.isfinite(filled)
    assert known.sum() > 0.95 * bad.sum()
    assert np.isfinite(u[known]).all()
    # What the neighbours' own truth is from this sample's is the scene's; the rest is noise, of the
    # stated size and the mean of two.
    across = np.full_like(truth, np.nan)
    across[:, :, 1:-1] = (truth[:, :, :-2] + truth[:, :, 2:]) / 2
    lonely = known.copy()
    lonely[:, :, [0, -1]] = False
    lonely[:, :, 1:-1] &= ~bad[:, :, :-2] & ~bad[:, :, 2:]
    z = ((filled - across) / u)[lonely]
    assert lonely.sum() > 500
    assert (np.abs(z) < 2).mean() > 0.93
    assert abs(np.median((filled - truth)[known])) < 0.005
    # Everything else is as it was.
    np.testing.assert_array_equal(filled[~bad], plain[~bad])


def test_trimmed_ends_are_the_bands_below_three_times_their_noise(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, seed=82, exposure_factor=0.05, **SIZE)
    whole, _, _ = read(pipeline.run(flight.config).folder)
    run = with_quality(flight, "trim_band_ends = true")
    trimmed, _, _ = read(run.folder)
    with netCDF4.Dataset(run.folder / "strip-00.nc") as nc:
        kept = nc["wavelength"][:].data
        for name in ("empirical_gain", "fwhm"):
            assert nc[name].shape == kept.shape
    centre = flight.plan.wavelength_nm
    first = int(np.searchsorted(centre, kept[0]))
    part = slice(first, first + kept.size)
    assert 0 < kept.size < flight.plan.bands
    np.testing.assert_array_equal(kept, centre[part])
    np.testing.assert_array_equal(trimmed, whole[:, part])
    # Signal over noise from the plan's own figures, median over the scene.
    plan, truth = flight.plan, flight.truth
    scene = true_reflectance(plan, 0)
    signal = np.median((scene - truth.offset[:, None]) / truth.gain[:, None], axis=(0, 2))
    noise = np.sqrt(plan.read_noise_counts**2 + 1 / 12 + signal / plan.electrons_per_count)
    clear = np.flatnonzero(signal / noise >= 3)
    assert abs(first - clear[0]) <= 1
    assert abs(part.stop - 1 - clear[-1]) <= 1


def test_neither_is_done_unasked(plain_run: Any, plain_flight: Any) -> None:
    reflectance, _, flags = read(plain_run.folder)
    bad = (flags & Q.BAD_ELEMENT) != 0
    assert bad.any()
    assert np.isnan(reflectance[bad]).all()
    assert reflectance.shape[1] == plain_flight.plan.bands
