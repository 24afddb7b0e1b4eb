"""The run's verdict, the rows' form, and that every row of the table has its function."""

from __future__ import annotations

import importlib
import json
import math

import numpy as np
import pytest

from pipeline.radiometry.checks import row as rows
from pipeline.radiometry.checks.verdict import run_verdict, times_beyond, worst_first
from pipeline.radiometry.limits import LIMITS, with_overrides
from pipeline.records import Check

GROUPS = (
    "offload", "dark", "light_leak", "elements", "exposure", "panels", "certificates", "fit",
    "past_flights", "light", "ground", "spectrum", "units", "no_data", "recorder",
)  # fmt: skip


def made(value: float | None, *, costs_part: bool = False) -> Check:
    return rows.row(LIMITS, "dark-drift", value, "it drifts", costs_part=costs_part)


PASS, CAUTION, FAIL, PART = made(0.0), made(2.0), made(9.0), made(9.0, costs_part=True)
NOT = made(None)


@pytest.mark.parametrize(
    ("checks", "verdict"),
    [
        ([PASS, PASS], "good"),
        ([PASS, NOT], "good"),
        ([PASS, CAUTION], "caution"),
        ([PASS, PART], "caution"),
        ([PASS, PART, FAIL], "unusable"),
        ([FAIL], "unusable"),
        ([NOT], "caution"),
        ([], "caution"),
    ],
)
def test_the_worst_row_decides(checks: list[Check], verdict: str) -> None:
    assert run_verdict(checks) == verdict


def test_rows_come_worst_first_and_otherwise_as_given() -> None:
    assert worst_first([PASS, NOT, CAUTION, PART, FAIL]) == [FAIL, PART, CAUTION, NOT, PASS]


def test_what_explains_the_others_comes_first_then_what_is_farthest_beyond() -> None:
    def of(name: str, value: float) -> Check:
        return rows.row(LIMITS, name, value, "it says")

    drift, farther, leak = of("dark-drift", 9.0), of("fit-residual", 0.4), of("light-leak", 5.5)
    unwritten = rows.row(LIMITS, "no-data", 3.0, "zeros", costs_part=True)
    # 9 of 5 counts, 0.4 of 0.10, and the light in the dark that explains the drift.
    assert worst_first([drift, farther, leak]) == [leak, farther, drift]
    # A fail that costs a part alone stays behind those that cost all.
    assert worst_first([unwritten, drift]) == [drift, unwritten]
    # Heights above the sea make lines lie too near, and nobody is to fly faster for it.
    steps, misfit = of("along-track", 0.05), of("units", 1.0)
    assert worst_first([steps, misfit]) == [misfit, steps]
    # 0.3 lies 0.49 from the middle of 0.73 and 0.85, 8.2 times half their distance; 36 bands
    # are not 36 times as grave as one.
    dim, bands = of("panel-peak", 0.3), of("panel-saturated", 36.0)
    assert worst_first([bands, dim]) == [dim, bands]
    assert times_beyond(dim) == pytest.approx(0.49 / 0.06)
    assert times_beyond(bands) == times_beyond(NOT) == times_beyond(PASS) == 1


def test_every_row_of_the_table_has_its_function() -> None:
    functions = {
        name
        for group in GROUPS
        for name in vars(importlib.import_module(f"pipeline.radiometry.checks.{group}"))
    }
    assert {name.replace("-", "_") for name in LIMITS} <= functions


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_never_a_pass(value: float | None) -> None:
    check = rows.row(LIMITS, "dark-drift", value, "it drifts")
    assert (check.verdict, check.value) == ("not checked", None)


def test_a_row_is_json() -> None:
    check = rows.row(LIMITS, "panel-peak", np.float64(0.8), "grey-48 peaks high")
    assert json.loads(json.dumps(check.as_dict()))["caution"] == [0.73, 0.85]


def test_limits_from_the_data_give_way_to_the_configs_alone() -> None:
    moved = with_overrides(LIMITS, {"certificate-cover": (4.0, None)})
    check = rows.row(moved, "certificate-cover", 9, "bare", fail=9.0)
    assert (check.verdict, check.caution, check.fail) == ("fail", 4.0, 9.0)
    moved = with_overrides(LIMITS, {"certificate-cover": (None, 5.0)})
    assert rows.row(moved, "certificate-cover", 6, "bare", fail=9.0).verdict == "fail"


@pytest.mark.parametrize(
    ("bands", "text"),
    [
        ([0, 0, 0, 0, 0, 0], ""),
        ([1, 0, 0, 1, 1, 0], "400, 430 to 440 nm"),
        ([1, 1, 1, 1, 1, 1], "400 to 450 nm"),
    ],
)
def test_bands_are_named_by_runs(bands: list[int], text: str) -> None:
    assert rows.band_names(bands, np.arange(400.0, 460.0, 10.0)) == text


def test_bands_without_wavelengths_are_named_by_number() -> None:
    assert rows.band_names([0, 1, 1], None) == "band 1 to 2"
