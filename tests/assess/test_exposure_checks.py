"""The rows of the exposure know the passes of each panel."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from pipeline.assess.exposure_checks import exposure_rows
from pipeline.calibrate.prepare import prepare
from pipeline.config.flight import load_config
from pipeline.radiometry.limits import LIMITS


def test_a_panel_saturated_in_one_of_its_passes_is_told(plain_flight: Any) -> None:
    config = load_config(plain_flight.config)
    prepared = prepare(config)
    measured, recording = prepared.measured, prepared.recording
    bright = next(r for r in measured.readings if r.panel == "grey-50")
    burnt = replace(bright, saturated_share=bright.saturated_share + 0.5)
    for passes in ((bright, burnt), (burnt, bright)):
        readings = (*(r for r in measured.readings if r.panel != "grey-50"), *passes)
        rows = exposure_rows(config, recording, replace(measured, readings=readings), LIMITS)
        row = next(row for row in rows if row.check == "panel-saturated")
        assert row.value == recording.wavelength_nm.size
        assert row.verdict == "caution"
