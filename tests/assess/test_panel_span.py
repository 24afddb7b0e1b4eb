"""panel-span looks at each scene sample at its own irradiance."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.assess.flight_checks import before_cubes
from pipeline.calibrate.prepare import prepare
from pipeline.config.flight import load_config


def span_of(flight: Any) -> Any:
    checks = before_cubes(prepare(load_config(flight.config)))
    return next(check for check in checks if check.check == "panel-span")


def test_a_fall_of_the_light_that_a_log_follows_leaves_the_span_alone(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    knobs: dict[str, Any] = {"seed": 61, "illumination": "irradiance log"}
    steady = span_of(make_flight_in(tmp_path / "steady", **knobs))
    falling = span_of(make_flight_in(tmp_path / "falling", irradiance_fall=0.4, **knobs))
    assert steady.value > 0.01
    assert falling.value == pytest.approx(steady.value, abs=0.006)
