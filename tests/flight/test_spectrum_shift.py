"""The wavelength scale judged from a flight's own O2-A dip, on bands of 5 nm."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.flight.field_check import look

#: 400 to 1000 nm in steps of 5 nm.
SIZE = {"bands": 121, "cubes": 1}
FWHM_NM = 5.0


def row(config: Path, check: str) -> Any:
    return next(c for c in look(config).to_json()["checks"] if c["check"] == check)


@pytest.mark.parametrize("shift_nm", [1.0, -1.0, 2.0])
def test_a_shift_is_reported_within_a_fifth_of_a_nanometre(
    shift_nm: float, tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, seed=51, wavelength_shift_nm=shift_nm, **SIZE)
    found = row(flight.config, "wavelength-shift")
    assert found["value"] * FWHM_NM == pytest.approx(abs(shift_nm), abs=0.2)
    assert found["verdict"] == "caution"
    assert f"{'+' if shift_nm > 0 else '-'}" in found["says"]


@pytest.mark.parametrize("seed", [51, 52, 53])
def test_no_shift_gives_less_than_a_fifth_of_a_nanometre(
    seed: int, tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, seed=seed, certificate_error="draw", **SIZE)
    found = row(flight.config, "wavelength-shift")
    assert found["verdict"] == "pass"
    assert found["value"] * FWHM_NM < 0.2
    assert row(flight.config, "smile")["verdict"] == "pass"


@pytest.mark.parametrize("flat", [False, True])
def test_a_smile_is_found_though_the_flat_was_taken_in_the_same_light(
    flat: bool, tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path, seed=51, smile_nm=1.5, flat=flat, vignetting=0.1, **SIZE)
    found = row(flight.config, "smile")
    assert found["verdict"] == "caution"
    assert found["value"] * FWHM_NM == pytest.approx(1.5, abs=0.15)


def test_bands_of_twenty_nanometres_are_not_judged(plain_flight: Any) -> None:
    assert row(plain_flight.config, "wavelength-shift")["verdict"] == "not checked"
