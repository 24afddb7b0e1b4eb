"""The table of limits, number by number, and how the config moves one."""

from __future__ import annotations

import math
import subprocess
import sys

import pytest

from pipeline.errors import ConfigError
from pipeline.radiometry.limits import LIMITS, verdict, with_overrides

# name: (unit, caution, fail). What follows from the data (every band, the 99 % point) is None.
TABLE = {
    "files-whole": ("byte", None, 0),
    "manifest": ("file", None, 0),
    "no-data": ("line", None, 0.0),
    "frozen": ("line", None, 0.0),
    "strip-missing": ("strip", 0, None),
    "settings-alike": ("cube", None, 0),
    "disk-space": ("1", None, 1.1),
    "clock": ("1", 0, None),
    "time-order": ("line", None, 0),
    "line-gaps": ("1", 0.001, None),
    "line-jitter": ("1", 0.05, None),
    "units": ("value", 0, None),
    "dark-settings": ("capture", None, 0),
    "dark-frames": ("frame", 100, 10),
    "dark-steadiness": ("count", 0.5, None),
    "dark-drift": ("count", 1, 5),
    "dark-age": ("min", 30, None),
    "dark-temperature": ("K", 2, None),
    "light-leak": ("count", 1, 5),
    "dark-clipped": ("1", 0.01, 0.20),
    "bad-elements": ("1", 0.005, 0.02),
    "flat-sound": ("1", 0.005, 0.10),
    "falloff": ("1", 0.02, None),
    "striping": ("1", 0.005, None),
    "panel-peak": ("1", (0.73, 0.85), 0.10),
    "panel-saturated": ("band", 1, None),
    "pile-up": ("1", 1e-4, None),
    "scene-saturated": ("1", 0.01, 0.20),
    "scene-low-signal": ("band", 1, None),
    "noise-model": ("1", (0.8, 1.25), None),
    "panel-samples": ("sample", 100, 25),
    "panel-uniformity": ("1", 0.03, 0.08),
    "panel-order": ("panel", None, 0),
    "panel-ratio": ("1", 0.05, None),
    "panel-span": ("1", 0.10, None),
    "panel-repeat": ("1", 0.02, None),
    "panel-age": ("min", 10, None),
    "certificate-cover": ("band", 1, None),
    "certificate-plausible": ("certificate", 0, None),
    "certificate-age": ("month", 12, None),
    "fit-residual": ("1", 0.02, 0.10),
    "fit-consistency": ("1", None, None),
    "fit-offset": ("1", 0.02, 0.10),
    "fit-curvature": ("1", 0.02, None),
    "check-panel": ("1", 0.02, 0.10),
    "leave-one-out": ("1", 0.02, None),
    "illumination": ("1", 0.03, 0.20),
    "illumination-known": ("1", 0, None),
    "illumination-steps": ("1", 0.01, None),
    "sun-elevation": ("degree", 30, None),
    "along-track": ("1", (0.8, 1.25), None),
    "attitude": ("degree", 5, None),
    "coverage": ("1", 0.98, None),
    "strip-agreement": ("1", 0.05, None),
    "sensor-temperature": ("K", 2, None),
    "camera-record": ("quantity", 0, None),
    "panel-record": ("panel", 0, None),
    "wavelength-shift": ("1", 0.1, 0.5),
    "smile": ("1", 0.1, None),
    "negative": ("1", 0.01, 0.10),
    "above-one": ("1", 0.001, None),
    "reread": ("chunk", None, 0),
}


def test_every_check_is_there_once_and_in_order() -> None:
    assert list(LIMITS) == list(TABLE)


@pytest.mark.parametrize("name", TABLE)
def test_limits_are_those_of_the_contract(name: str) -> None:
    row = LIMITS[name]
    assert (row.name, row.unit, row.caution, row.fail) == (name, *TABLE[name])
    assert row.source
    assert row.about.endswith(".")
    assert row.do
    assert not row.moved


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("dark-drift", 1.0, "pass"),
        ("dark-drift", 1.01, "caution"),
        ("dark-drift", 5.01, "fail"),
        ("dark-frames", 100, "pass"),
        ("dark-frames", 99, "caution"),
        ("dark-frames", 9, "fail"),
        ("panel-peak", 0.73, "pass"),
        ("panel-peak", 0.86, "caution"),
        ("panel-peak", 0.72, "caution"),
        ("panel-peak", 0.09, "fail"),
        ("certificate-cover", 0, "pass"),
        ("certificate-cover", 1, "caution"),
        ("files-whole", 0, "pass"),
        ("files-whole", -1, "fail"),
        ("clock", 1e-6, "caution"),
        ("dark-drift", math.nan, "not checked"),
        ("dark-frames", math.inf, "not checked"),
        ("dark-drift", None, "not checked"),
    ],
)
def test_verdict_at_and_beside_a_limit(name: str, value: float | None, expected: str) -> None:
    assert verdict(LIMITS[name], value) == expected


def test_a_moved_limit_is_remembered_and_the_table_is_left_alone() -> None:
    moved = with_overrides(LIMITS, {"dark-drift": (2.0, 8.0), "panel-peak": ((0.5, 0.9), None)})
    assert (moved["dark-drift"].caution, moved["dark-drift"].fail) == (2.0, 8.0)
    assert moved["dark-drift"].moved
    assert not moved["dark-age"].moved
    assert moved["panel-peak"].fail == 0.10
    assert LIMITS["dark-drift"].caution == 1.0
    assert verdict(moved["dark-drift"], 1.5) == "pass"


@pytest.mark.parametrize(
    ("name", "pair", "says"),
    [
        ("dark-drfit", (1.0, 2.0), "no check has this name"),
        ("dark-drift", ((1.0, 2.0), None), "expected one number"),
        ("panel-peak", (0.5, None), "expected two numbers"),
        ("panel-peak", ((0.9, 0.5), None), "low < high"),
        ("dark-drift", (6.0, None), "before caution"),
        ("dark-frames", (None, 200.0), "before caution"),
        ("dark-drift", (math.nan, None), "finite"),
    ],
)
def test_a_limit_that_makes_no_sense_is_refused_by_its_key(
    name: str, pair: tuple, says: str
) -> None:
    with pytest.raises(ConfigError, match=says) as error:
        with_overrides(LIMITS, {name: pair})
    assert str(error.value).startswith(f"limits.{name}")


def test_the_table_imports_nothing_heavy() -> None:
    code = "import sys, pipeline.radiometry.limits; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
