"""What header keys, times, tables and captures are taken for."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from pipeline.draft.captures import find_captures
from pipeline.draft.clocks import settle_clocks
from pipeline.draft.header_words import header_words
from pipeline.draft.tables import Times, read_text, times_of, what_is
from pipeline.synthetic import FlightPlan, make_flight

LATEST_S = 1.9e9


@pytest.mark.parametrize(
    ("header", "step_ms", "expected"),
    [
        ({"shutter": "4500", "line rate": "200"}, math.nan, ("us", "Hz")),
        ({"exposure": "2.4", "frame period": "4.5"}, math.nan, ("ms", "ms")),
        ({"tint_us": "2400", "fps": "222.2"}, math.nan, ("us", "Hz")),
        ({"integration time": "0.0024", "line period": "0.0045"}, math.nan, ("s", "s")),
        # The line times decide what the number alone leaves open.
        ({"exposure": "2.4", "frame rate": "100"}, 10.0, ("ms", "Hz")),
        ({"exposure": "2.4", "period": "10"}, 10.0, ("ms", "ms")),
        ({"exposure": "2.4", "period": "100"}, 10.0, ("ms", "Hz")),
    ],
)
def test_units_by_what_is_possible(
    header: dict[str, str], step_ms: float, expected: tuple[str, str]
) -> None:
    keys = header_words([header], step_ms).keys
    assert (keys["exposure time"].unit, keys["frame period"].unit) == expected


def test_a_unit_that_the_value_names_is_left_to_the_value() -> None:
    keys = header_words([{"Exposure": "2400 us", "frame period": "4.5 ms"}], math.nan).keys
    assert keys["exposure time"].unit == keys["frame period"].unit == ""


def test_a_period_that_may_be_two_things_is_asked() -> None:
    """20 may be 20 ms or 20 Hz, and an exposure of 4 ms fits in both."""
    words = header_words([{"exposure": "4", "period": "20"}], math.nan)
    assert "frame period" not in words.keys
    assert any("ms or Hz" in what for what in words.undecided)


def span(first: float, last: float, zoned: bool = True) -> Times:
    return Times({"iso": (first, last)}, zoned)


@pytest.mark.parametrize(
    ("ahead_h", "zone"), [(2, "+02:00"), (-5, "-05:00"), (0, ""), (13, "+13:00")]
)
def test_a_zone_is_that_which_puts_local_times_into_the_flight(ahead_h: int, zone: str) -> None:
    noon = 1_781_000_000.0
    local = noon + 3600 * ahead_h
    clocks = settle_clocks(
        {"nav": span(noon, noon + 600), "the headers": span(local + 60, local + 300, False)}
    )
    assert clocks["the headers"].zone == zone
    assert not clocks["the headers"].undecided


def test_times_of_another_day_are_asked() -> None:
    clocks = settle_clocks(
        {"nav": span(0, 600), "light": span(10 * 86_400, 10 * 86_400 + 600, False)}
    )
    assert "no zone" in clocks["light"].undecided


def test_gps_seconds_are_told_from_unix_by_another_clock() -> None:
    """1.46e9 is 2016 as Unix time and 2026 as GPS time."""
    gps = times_of(["1465000000", "1465000600"], ["unix s", "gps s"])
    there = gps.spans_s["gps s"]
    assert settle_clocks({"a": gps, "nav": span(*there)})["a"].form == "gps s"
    assert "may be" in settle_clocks({"a": gps})["a"].undecided


@pytest.mark.parametrize(
    ("text", "kind", "columns"),
    [
        ("nm;R;U\n400,0;48,1;0,9\n410,0;48,3;0,9\n420,0;48,0;0,9\n", "certificate",
         {"wavelength_nm": "nm", "reflectance": "R", "expanded_uncertainty": "U"}),
        ("t,ch1\n2026-06-01T10:00:00Z,5.1\n2026-06-01T10:00:01Z,5.2\n", "irradiance",
         {"time_utc": "t", "irradiance": "ch1"}),
        ("logger 7\n\ntime\tlat\tlon\talt\n1781000000\t54\t3\t30\n1781000001\t54\t3\t30\n", "track",
         {"time_utc": "time", "latitude": "lat", "longitude": "lon", "height_m": "alt"}),
        ("n,stamp\n0,1781000000.0\n1,1781000000.1\n", "line_times",
         {"line": "n", "time_utc": "stamp"}),
        ("time_utc,402.0,406.5\n2026-06-01T10:00:00Z,5.1,4\n2026-06-01T10:00:01Z,5,4\n",
         "irradiance", {}),
    ],
)  # fmt: skip
def test_tables_are_known_by_columns_and_values(
    tmp_path: Path, text: str, kind: str, columns: dict[str, str]
) -> None:
    path = tmp_path / "a-strip-3.txt"
    path.write_text(text)
    read = read_text(path)
    assert read is not None
    table = what_is(read, ["strip-3"] if kind == "line_times" else [], LATEST_S)
    assert table is not None
    assert (table.kind, table.columns) == (kind, columns)
    assert table.scale == (0.01 if kind == "certificate" else 1.0)


@pytest.mark.parametrize(
    "text", ["wind 3 m/s, cumulus\n", "a,b\nx,y\n", "", "1,2\n3,4\n", "k: v\n"]
)
def test_notes_are_no_tables(tmp_path: Path, text: str) -> None:
    path = tmp_path / "notes.txt"
    path.write_text(text)
    read = read_text(path)
    assert read is None or what_is(read, [], LATEST_S) is None


def test_captures_by_their_counts(tmp_path: Path) -> None:
    """A dark that is called a strip is a dark, and so on: names say nothing."""
    plan = FlightPlan(
        cubes=2, lines=200, samples=64, bands=30, dark_frames=40, flat=True, manifest=False
    )
    make_flight(tmp_path, plan)
    raw = tmp_path / "raw"
    for old, new in (
        ("strip-00", "x3"),
        ("strip-01", "x1"),
        ("cap-before", "strip-9"),
        ("flat-0", "x2"),
    ):
        for suffix in (".hdr", ".raw"):
            (raw / f"{old}{suffix}").rename(raw / f"{new}{suffix}")
    found = find_captures(raw, sorted(raw.iterdir()))
    names = [
        sorted(s.capture.name for s in some) for some in (found.strips, found.darks, found.flats)
    ]
    assert names == [["x1", "x3"], ["cap-after", "strip-9"], ["x2"]]
    assert max(s.change for s in found.flats) < 3 < min(s.change for s in found.strips)
    assert np.isfinite([s.span_counts for s in found.darks]).all()
