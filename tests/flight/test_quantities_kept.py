"""What a run keeps of the camera and the panels is what the simulated flight was made with."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.calibrate.prepare import prepare
from pipeline.config.flight import load_config
from pipeline.flight.known_before import known_before
from pipeline.flight.run import run
from pipeline.write.quantities import Quantities, Quantity, element_runs
from pipeline.write.run_record import read_run

KNOBS = {
    "lines": 300, "samples": 96, "bands": 120, "dark_frames": 100, "dark_drift_counts": 0.0,
    "dark_structure_counts": 0.0, "fixed_pattern_counts": 0.0, "vignetting": 0.1,
    "smile_nm": 1.0, "wavelength_shift_nm": 0.8, "electrons_per_count": 5.2,
}  # fmt: skip


@pytest.fixture(scope="module")
def kept(tmp_path_factory: Any, make_flight_in: Any) -> Quantities:
    flight = make_flight_in(tmp_path_factory.mktemp("kept"), **KNOBS)
    found = read_run(run(flight.config, workers=1).folder).quantities
    assert found is not None
    return found


def near(quantity: Quantity, truth: float, errors: float = 4, least: float = 0.0) -> bool:
    assert quantity.value is not None
    assert quantity.uncertainty is not None
    return abs(quantity.value - truth) <= max(errors * quantity.uncertainty, least)


def test_the_dark_is_that_of_the_plan(kept: Quantities) -> None:
    assert near(kept.dark_level, 100.0, least=0.6)  # rounding and hot elements' neighbours
    # 1.6 counts of noise and a count's rounding, 1/12 of a square count (uniform, GUM 4.3.7).
    assert kept.dark_noise.value == pytest.approx((1.6**2 + 1 / 12) ** 0.5, rel=0.03)


def test_bad_elements_have_no_part_in_the_dark_level(plain_flight: Any) -> None:
    prepared = prepare(load_config(plain_flight.config))
    measured, detector = prepared.measured, prepared.measured.detector
    bad = detector.bad.any
    assert bad.any()
    hotter = tuple(replace(d, mean=np.where(bad, 4000.0, d.mean)) for d in detector.darks)
    changed = replace(measured, detector=replace(detector, darks=hotter))
    level = known_before(prepared)[1].dark_level
    assert known_before(replace(prepared, measured=changed))[1].dark_level == level


def test_gain_shift_and_smile_are_those_of_the_plan(kept: Quantities) -> None:
    assert near(kept.electrons_per_count, 5.2)
    assert near(kept.wavelength_shift, 0.8)
    assert near(kept.smile, 1.0)
    # The dip's own place moves with the air mass, by 0.16 nm (`radiometry.limits.conditions`).
    assert kept.wavelength_shift.uncertainty is not None
    assert kept.wavelength_shift.uncertainty >= 0.16


def test_the_falloff_is_that_of_the_plan(kept: Quantities) -> None:
    # The simulated response falls by 0.1 x (place from -1 to 1) squared.
    assert near(kept.falloff, -0.1, least=0.01)


def test_bad_elements_are_counted_and_named(kept: Quantities) -> None:
    named = [i for part in element_runs(kept.which_bad) for i in part]
    assert len(named) == kept.bad_elements.value
    assert 0 < len(named) < 0.01 * 96 * 120


def test_the_flight_the_camera_and_the_certificates_are_told(kept: Quantities) -> None:
    assert kept.flown is not None
    assert kept.flown.startswith("2026-06-18T11:2")
    assert (kept.camera.bands, kept.camera.samples) == (120, 96)
    assert kept.sensor_temperature.value == pytest.approx(34.0, abs=1.0)
    for panel in kept.panels:
        assert panel.certificate_sha256
        assert panel.certificate.endswith(f"{panel.panel}.csv")
    levels = [p.level.value for p in kept.panels if p.level.value is not None]
    assert sum(levels) == pytest.approx(0.0, abs=0.02)  # logarithms less the panels' mean
