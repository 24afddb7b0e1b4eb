"""Values that contradict each other are called a unit or a datum, with the line that mends it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.radiometry.checks import units
from pipeline.radiometry.strip_spacing import widest_spacing_m


@pytest.mark.parametrize(
    ("stated", "unit", "step", "says"),
    [
        (4500.0, "ms", 4.5, 'unit = "us"'),
        (0.0045, "ms", 4.5, 'unit = "s"'),
        (222.2, "ms", 4.5, 'unit = "Hz"'),
        (4.5, "us", 4500.0, 'unit = "ms"'),
        # Read as 200 Hz, 5 ms; the number is 200, and is microseconds after all.
        (5.0, "Hz", 0.2, 'unit = "us"'),
        (100.0, "ms", 10.0, 'unit = "Hz"'),
        (30.0, "ms", 10.0, "Look which of the two"),  # neither unit nor rate
    ],
)
def test_a_period_in_another_unit(stated: float, unit: str, step: float, says: str) -> None:
    found = units.period_misfit(stated, step, key="line time", unit=unit)
    assert found is not None
    assert says in found.do
    if "unit" in says:
        assert 'sensor.header_keys."frame period" = { key = "line time"' in found.do


@pytest.mark.parametrize(
    ("stated", "step"), [(4.5, 4.5), (4.5, 5.3), (math.nan, 4.5), (4.5, math.nan), (0, 4.5)]
)
def test_periods_that_fit_or_are_not_known(stated: float, step: float) -> None:
    assert units.period_misfit(stated, step, key="k", unit="ms") is None


def test_an_exposure_longer_than_its_line() -> None:
    found = units.exposure_misfit(2400.0, 4.5, key="shutter", unit="ms")
    assert found is not None
    assert "2400 ms is longer than the 4.5 ms of a line: its number is in us" in found.says
    assert found.do == 'Say sensor.header_keys."exposure time" = { key = "shutter", unit = "us" }'
    seconds = units.exposure_misfit(2400.0, 4.5, key="shutter", unit="s")
    assert seconds is not None
    assert 'unit = "ms"' in seconds.do
    hopeless = units.exposure_misfit(2.4e9, 4.5, key="shutter", unit="ms")
    assert hopeless is not None
    assert "Look which" in hopeless.do
    assert units.exposure_misfit(4.5, 4.5, key="shutter", unit="ms") is None
    assert units.exposure_misfit(math.nan, 4.5, key="shutter", unit="ms") is None


def test_angles_in_radians() -> None:
    found = units.angle_misfit(*np.radians([[54.9, 54.9], [3.2, math.nan], [90.0, 359.0]]))
    assert found is not None
    assert found.do == 'Say tables.track.angle = "rad"'
    assert units.angle_misfit([54.9], [3.2], [math.nan]) is None
    assert units.angle_misfit([math.nan], [math.nan], [math.nan]) is None
    # Off the coast of Ghana, where the two are small.
    assert units.angle_misfit([0.1], [0.2], [270.0]) is None


def test_heights_above_the_sea() -> None:
    # 30 m above ground at 212 m: 8 times too high, so that the ground step is an eighth.
    found = units.height_misfit(242.0, 96.0, 9.0, 30 / 242)
    assert found is not None
    assert "the height of 242 m makes a swath of 96 m, and the strips lie 9 m apart" in found.says
    assert "tables.track.ground_m = 212," in found.do
    unknown = units.height_misfit(242.0, 96.0, 9.0, math.nan)
    assert unknown is not None
    assert "ground_m = ...," in unknown.do
    lone = units.height_misfit(242.0, 96.0, math.nan, 30 / 242)
    assert lone is not None
    assert "the lines lie 0.12 of a sample's width apart" in lone.says


@pytest.mark.parametrize(
    ("height", "swath", "spacing", "along"),
    [
        (30.0, 12.0, 9.0, 1.0),
        (30.0, 12.0, 1.5, 1.0),  # flown twice: the lines gainsay it
        (30.0, 12.0, 1.5, math.nan),
        (30.0, 12.0, math.nan, 0.6),
        (30.0, 12.0, 9.0, 0.1),
        (30.0, 12.0, math.nan, math.nan),
        (30.0, 12.0, math.nan, 0.05),  # 1.5 m above the ground: another time, not another height
        (30.0, 12.0, 1.5, 0.0),  # standing still
    ],
)
def test_heights_that_may_be_right(
    height: float, swath: float, spacing: float, along: float
) -> None:
    assert units.height_misfit(height, swath, spacing, along) is None


def test_a_track_away_from_the_polygons() -> None:
    there = [(3.1, 54.8, 3.3, 55.0)]
    assert units.place_misfit(54.9, 3.2, there) is None
    swapped = units.place_misfit(3.2, 54.9, there)
    assert swapped is not None
    assert "would be there with latitude and longitude swapped" in swapped.says
    assert 'columns = { latitude = "longitude", longitude = "latitude" }' in swapped.do
    named = units.place_misfit(3.2, 54.9, there, columns=("Lon", "Lat"))
    assert named is not None
    assert 'columns = { latitude = "Lat", longitude = "Lon" }' in named.do
    other = units.place_misfit(54.9, 13.2, there)
    assert other is not None
    assert "9.9 degrees from the polygons" in other.says
    assert "of this flight" in other.do
    assert units.place_misfit(3.2, 54.9, []) is None


def test_the_row() -> None:
    one = units.Misfit("a is b", "Say c")
    assert units.units([], []).verdict == "not checked"
    sound = units.units([], ["heights"])
    assert (sound.verdict, sound.value, sound.do) == ("pass", 0, "")
    bad = units.units([one, one, one], ["heights"])
    assert (bad.verdict, bad.value) == ("caution", 3)
    assert bad.says == "A is b; a is b; 1 other value too."
    assert bad.do == "Say c. Say c. Say c."


def strip(north_m: float, east_m: float, heading_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """A strip of 100 m from a place; a degree of latitude is 111.3 km at 55 degrees."""
    run = np.linspace(0, 100, 20)
    angle = math.radians(heading_deg)
    north, east = north_m + run * math.cos(angle), east_m + run * math.sin(angle)
    return 55 + north / 111_300, 3 + east / (111_300 * math.cos(math.radians(55)))


def test_spacing_of_strips() -> None:
    flown = [strip(0, 0, 0), strip(100, 10, 180), strip(0, 20, 0), strip(0, 45, 0)]
    assert widest_spacing_m(flown) == pytest.approx(25, rel=0.01)
    assert widest_spacing_m([*flown[:2], strip(0, 0.1, 0)]) == pytest.approx(10, rel=0.06)
    assert math.isnan(widest_spacing_m([flown[0], strip(0, 30, 90)])), "across is not parallel"
    assert math.isnan(widest_spacing_m([flown[0], strip(0, 0.1, 0)])), "one strip, flown again"
    gone = np.full(20, math.nan)
    assert math.isnan(widest_spacing_m([flown[0], (gone, gone)]))
    assert math.isnan(widest_spacing_m([]))
