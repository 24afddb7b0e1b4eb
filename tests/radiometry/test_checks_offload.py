"""Checks of the offload: a pass, a caution or fail, and what is not checked, for each."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.radiometry.checks import offload
from pipeline.radiometry.limits import LIMITS, with_overrides
from pipeline.records import Capture, Check, Settings

BANDS = np.linspace(400, 1000, 30)
PERIOD = 0.0045
LINES = 1000.0 + PERIOD * np.arange(2000)
TRACK = np.arange(990.0, 1030.0)


def cube(name: str, *, samples: int = 8, shift_nm: float = 0.0, **settings: float) -> Capture:
    given = {"exposure_ms": 4.0, "frame_period_ms": 4.5, "gain": 1.0, **settings}
    return Capture(
        name=name, header=Path(f"{name}.hdr"), data=Path(f"{name}.raw"), lines=10, bands=30,
        samples=samples, files=(Path(f"{name}.raw"),), itemsize=2, claimed_bytes=600 * samples,
        layout="bil uint16", by_line=True, stored=None,
        wavelength_nm=BANDS + shift_nm, fwhm_nm=np.full(30, 5.0),
        settings=Settings(**given),
    )  # fmt: skip


def stepped(at: int, more_s: float) -> np.ndarray:
    times = LINES.copy()
    times[at:] += more_s
    return times


def gap_every(lines: int) -> np.ndarray:
    return np.cumsum(np.where(np.arange(2000) % lines == lines - 1, 3 * PERIOD, PERIOD))


JITTER = LINES + np.random.default_rng(0).uniform(-0.06, 0.06, 2000) * PERIOD * 2
NAN = np.full(5, np.nan)

CASES = [
    (offload.files_whole({"a": 10, "b": 10}, {"a": 10, "b": 10}), "pass", 0),
    (offload.files_whole({"a": 10, "b": 8}, {"a": 10, "b": 10}), "fail", -2),
    (offload.files_whole({"a": 12}, {"a": 10}), "fail", 2),
    (offload.files_whole({}, {"a": 10}), "fail", -10),
    (offload.files_whole({}, {}), "not checked", None),
    (offload.manifest(5), "pass", 0),
    (offload.manifest(5, ["a"], ["b"]), "fail", 2),
    (offload.manifest(None), "not checked", None),
    (offload.manifest(5, unread=["s-0.raw"]), "not checked", None),
    (offload.manifest(5, changed=["cap.raw"], unread=["s-0.raw"]), "fail", 1),
    (offload.manifest(5, ["s-1.raw"], unread=["s-0.raw"]), "fail", 1),
    (offload.strip_missing(["s-00", "s-01", "s-02"]), "pass", 0),
    (offload.strip_missing(["s-00", "s-03"]), "caution", 2),
    (offload.strip_missing(["s-02.vnir", "s-04.vnir"]), "caution", 1),
    (offload.strip_missing(["east", "west"]), "not checked", None),
    (offload.strip_missing(["s-01"]), "not checked", None),
    (offload.strip_missing(["t-101502", "t-101733", "t-102011"]), "not checked", None),
    (offload.settings_alike([cube("a"), cube("b", exposure_ms=4.003)]), "pass", 0),
    (offload.settings_alike([cube("a"), cube("b", exposure_ms=4.005)]), "fail", 1),
    (offload.settings_alike([cube("a"), cube("b", gain=2.0), cube("c")]), "fail", 1),
    (offload.settings_alike([cube("a"), cube("b", frame_period_ms=9.0)]), "fail", 1),
    (offload.settings_alike([cube("a"), cube("b", samples=9)]), "fail", 1),
    (offload.settings_alike([cube("a"), cube("b", shift_nm=0.5)]), "fail", 1),
    (offload.settings_alike([cube("a", gain=np.nan), cube("b", gain=np.nan)]), "pass", 0),
    (offload.settings_alike([cube("a"), cube("b", exposure_ms=np.nan)]), "not checked", None),
    (offload.settings_alike([]), "not checked", None),
    (offload.disk_space(12e9, 10e9), "pass", 1.2),
    (offload.disk_space(10e9, 10e9), "fail", 1.0),
    (offload.disk_space(None, 10e9), "not checked", None),
    (offload.disk_space(1e9, 0), "not checked", None),
    (offload.clock(LINES, TRACK), "pass", 0),
    (offload.clock(LINES + 7200, TRACK), "caution", 1),
    (offload.clock(LINES, None), "not checked", None),
    (offload.clock(NAN, TRACK), "not checked", None),
    (offload.time_order({"a": LINES}), "pass", 0),
    (offload.time_order({"a": LINES, "b": stepped(700, -1.0)}), "fail", 1),
    (offload.time_order({"a": [1.0, 1.0, 2.0]}), "fail", 1),
    (offload.time_order({"a": NAN}), "not checked", None),
    (offload.time_order(None), "not checked", None),
    (offload.line_gaps({"a": LINES}), "pass", 0),
    (offload.line_gaps({"a": stepped(700, 0.5)}), "pass", 1 / 2000),
    (offload.line_gaps({"a": gap_every(100)}, PERIOD), "caution", 20 / 2000),
    (offload.line_gaps({}), "not checked", None),
    (offload.line_jitter({"a": LINES}), "pass", None),
    (offload.line_jitter({"a": stepped(700, 0.5)}), "pass", None),
    (offload.line_jitter({"a": LINES, "b": JITTER}), "caution", None),
    (offload.line_jitter(None), "not checked", None),
]


@pytest.mark.parametrize(
    ("check", "verdict", "value"),
    CASES,
    ids=[f"{c.check}-{i}" for i, (c, _, _) in enumerate(CASES)],
)
def test_verdict_and_value(check: Check, verdict: str, value: float | None) -> None:
    assert check.verdict == verdict, check.says
    if value is not None:
        assert check.value == pytest.approx(value)
    assert check.says.endswith(".")
    assert (check.value is None) == (verdict == "not checked")
    assert (check.do == "") == (verdict == "pass") or verdict == "not checked"


@pytest.mark.parametrize(
    ("offset_s", "says"),
    [
        (7200, "-2 h"),
        (-5 * 3600, "+5 h"),
        (3600 + 1800, None),
        (18.0, "-18 s"),
    ],
)
def test_clock_names_the_offset_that_mends_it(offset_s: float, says: str | None) -> None:
    check = offload.clock(LINES + offset_s, np.arange(990.0, 1012.0))
    assert check.verdict == "caution"
    assert ("would mend" in check.says) == (says is not None)
    if says:
        assert says in check.says
        # The lines' clock by so much, or the track's the other way.
        assert f"tables.line_times.offset_s = {-offset_s:g}," in check.do
        assert f"tables.track.offset_s = {offset_s:g} " in check.do


def test_a_broken_cube_costs_itself_and_a_broken_dark_the_run() -> None:
    sizes, claims = {"s-0": 10, "s-1": 4, "cap": 10}, {"s-0": 10, "s-1": 10, "cap": 10}
    assert offload.files_whole(sizes, claims, needed=["cap"]).costs_part
    assert not offload.files_whole(sizes, claims, needed=["s-1"]).costs_part
    assert not offload.files_whole({"a": 1}, {"a": 2}).costs_part
    assert not offload.files_whole({"a": 2}, {"a": 2}).costs_part


def test_settings_name_both_values_and_the_cube() -> None:
    check = offload.settings_alike([cube("a"), cube("b", exposure_ms=8.0), cube("c")])
    assert check.subject == "b"
    assert "8 ms against 4 ms" in check.says
    assert check.costs_part


def test_missing_strips_are_named_as_they_would_be_written() -> None:
    assert "s-007, s-008" in offload.strip_missing(["s-006", "s-009"]).says


def test_a_moved_limit_decides_and_is_said() -> None:
    limits = with_overrides(LIMITS, {"line-gaps": (0.05, None)})
    check = offload.line_gaps({"a": gap_every(100)}, PERIOD, limits=limits)
    assert (check.verdict, check.caution) == ("pass", 0.05)
    assert "limit moved by config" in check.says


def test_a_capture_is_compared_without_being_changed() -> None:
    first = cube("a")
    assert offload.differences(first, replace(first, lines=99)) == ([], [])


def test_darks_in_the_same_numbering_fill_its_gaps() -> None:
    names = ["capture-1", "capture-2", "capture-4"]
    assert offload.strip_missing(names).verdict == "caution"
    assert offload.strip_missing(names, ["capture-3", "capture-9"]).verdict == "pass"


def test_another_layout_is_named_and_no_fault() -> None:
    first = cube("a")
    others = [
        first,
        replace(cube("b"), layout="bsq uint16"),
        replace(cube("c"), layout="bil float32"),
    ]
    check = offload.settings_alike(others)
    assert check.verdict == "pass"
    assert "stored as bil float32 or bsq uint16 where a is bil uint16" in check.says
    assert check.says.endswith("b, c.")
    assert "stored" not in offload.settings_alike([first, cube("b")]).says
    unsaid = [replace(one, settings=Settings()) for one in others]
    assert "stored as" in offload.settings_alike(unsaid).says
