"""Sun position: the worked example of Reda and Andreas, NREL/TP-560-34302 (2008), appendix A.5."""

from __future__ import annotations

import datetime as dt

import pytest

from pipeline.radiometry import geometry


def test_the_worked_example_of_the_solar_position_algorithm() -> None:
    # 17 October 2003, 12:30:30 at UTC - 7 h; 820 mbar, 11 deg C; zenith 50.11162 degrees.
    when = dt.datetime(2003, 10, 17, 19, 30, 30, tzinfo=dt.UTC).timestamp()
    elevation = geometry.sun_elevation([when], 39.742476, -105.1786, 1830.14)
    # We take the standard atmosphere's 812 mbar and 12 deg C: 0.0003 degrees less refraction.
    assert 90 - float(elevation[0]) == pytest.approx(50.11162, abs=0.0005)
