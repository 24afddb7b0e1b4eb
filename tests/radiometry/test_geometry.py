"""Positions, speed, sampling, coverage: by hand; against pyproj in tests/published."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest

from pipeline.radiometry import geometry

LAT, LON, HEIGHT = 52.0, 5.0, 30.0


def metres(lat: np.ndarray, lon: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """East and north of (LAT, LON), by a degree of latitude as 111267.2 m at 52 degrees."""
    north_m, east_m = geometry.metres_per_degree(LAT)
    return (lon - LON) * east_m, (lat - LAT) * north_m


def one_line(**angles: float) -> tuple[np.ndarray, np.ndarray]:
    found = geometry.sample_positions(
        [LAT], [LON], [HEIGHT], samples=5, ifov_mrad=100.0, **{"heading_deg": 0.0, **angles}
    )
    east, north = metres(*found)
    return east[0], north[0]


def test_a_degree_at_45_degrees_is_the_printed_length() -> None:
    # WGS 84 at 45 degrees: 111131.7 m of latitude, 78846.8 m of longitude (from memory).
    north, east = geometry.metres_per_degree(45.0)
    assert float(north) == pytest.approx(111131.7, abs=0.1)
    assert float(east) == pytest.approx(78846.8, abs=0.1)


def test_samples_increase_to_the_right_of_the_heading() -> None:
    east, north = one_line(heading_deg=0.0)
    np.testing.assert_allclose(east, HEIGHT * np.array([-0.2, -0.1, 0, 0.1, 0.2]), atol=1e-6)
    np.testing.assert_allclose(north, 0, atol=1e-6)
    east, north = one_line(heading_deg=90.0)
    np.testing.assert_allclose(north, HEIGHT * np.array([0.2, 0.1, 0, -0.1, -0.2]), atol=1e-6)


def test_right_wing_down_looks_left_and_nose_up_looks_ahead() -> None:
    east, north = one_line(roll_deg=10.0)
    assert east[2] == pytest.approx(-HEIGHT * math.tan(math.radians(10)), abs=1e-6)
    east, north = one_line(pitch_deg=10.0)
    np.testing.assert_allclose(north, HEIGHT * math.tan(math.radians(10)), atol=1e-6)
    assert east[4] == pytest.approx(0.2 * HEIGHT / math.cos(math.radians(10)), abs=1e-6)


def test_the_line_of_sight_agrees_with_rotation_matrices() -> None:
    roll, pitch, heading = np.radians([7.0, -4.0, 230.0])
    c, s = np.cos, np.sin
    rx = np.array([[1, 0, 0], [0, c(roll), -s(roll)], [0, s(roll), c(roll)]])
    ry = np.array([[c(pitch), 0, s(pitch)], [0, 1, 0], [-s(pitch), 0, c(pitch)]])
    rz = np.array([[c(heading), -s(heading), 0], [s(heading), c(heading), 0], [0, 0, 1]])
    body = np.array([np.zeros(5), 0.1 * (np.arange(5) - 2), np.ones(5)])
    north, east, down = rz @ ry @ rx @ body
    got_east, got_north = one_line(roll_deg=7.0, pitch_deg=-4.0, heading_deg=230.0)
    np.testing.assert_allclose(got_east, HEIGHT * east / down, atol=1e-6)
    np.testing.assert_allclose(got_north, HEIGHT * north / down, atol=1e-6)


def test_nan_attitude_is_level_and_nan_heading_is_the_course() -> None:
    lat = LAT - np.arange(4) * 1e-6
    nan = np.full(4, math.nan)
    kwargs = {"samples": 3, "ifov_mrad": 1.0}
    a = geometry.sample_positions(
        lat,
        np.full(4, LON),
        np.full(4, HEIGHT),
        **kwargs,
        roll_deg=nan,
        pitch_deg=nan,
        heading_deg=nan,
    )
    b = geometry.sample_positions(
        lat,
        np.full(4, LON),
        np.full(4, HEIGHT),
        **kwargs,
        roll_deg=np.zeros(4),
        pitch_deg=np.zeros(4),
        heading_deg=np.full(4, 180.0),
    )
    np.testing.assert_allclose(a, b, atol=1e-13)


def test_no_height_no_position_and_no_sight_above_the_horizon() -> None:
    kwargs = {"samples": 3, "ifov_mrad": 1.0, "heading_deg": [0.0, 0.0, 0.0, 0.0]}
    lat, lon = geometry.sample_positions(
        [LAT, LAT, math.nan, LAT],
        [LON] * 4,
        [math.nan, 0.0, 30.0, 30.0],
        roll_deg=[0.0, 0.0, 0.0, 95.0],
        **kwargs,
    )
    assert np.isnan(lat).all()
    assert np.isnan(lon[[0, 1, 3]]).all()


def test_a_cube_is_placed_in_a_third_of_a_second() -> None:
    n = 2000
    lat, lon = LAT + np.arange(n) * 2e-7, np.full(n, LON)
    start = time.process_time()
    geometry.sample_positions(lat, lon, np.full(n, 30.0), samples=640, ifov_mrad=0.617)
    assert time.process_time() - start < 0.3


def test_a_heading_goes_through_north_not_the_long_way_round() -> None:
    found = geometry.interpolate_track(
        [0.0, 10.0], {"heading_deg": [350.0, 20.0], "longitude": [179.9, -179.9]}, [0, 5, 10, 11]
    )
    np.testing.assert_allclose(found["heading_deg"], [350, 5, 20, math.nan])
    assert abs(found["longitude"][1]) == pytest.approx(180)


def test_a_track_in_any_order_with_holes_is_interpolated_column_by_column() -> None:
    found = geometry.interpolate_track(
        [2.0, 0.0, 1.0, math.nan, 1.0],
        {"height_m": [30.0, 10.0, math.nan, 99.0, 20.0], "roll_deg": [math.nan] * 5},
        [0.5, 1.5, -1.0, math.nan],
    )
    np.testing.assert_allclose(found["height_m"], [15, 25, math.nan, math.nan])
    assert np.isnan(found["roll_deg"]).all()


def test_course_holds_where_the_flight_hovers() -> None:
    lat = LAT + np.array([0, 0, 0, 1, 2, 3, 3, 3, 3]) * 1e-5
    np.testing.assert_allclose(geometry.course(lat, np.full(9, LON)), 0)
    assert np.isnan(geometry.course([LAT, LAT], [LON, LON])).all()
    assert np.isnan(geometry.course([LAT], [LON])).all()
    np.testing.assert_allclose(geometry.course([0.0, 0.0], [179.9999, -179.9999]), 90)


def test_speed_over_ground() -> None:
    lat = LAT + np.arange(5) * 4.11 / float(geometry.metres_per_degree(LAT)[0])
    speed = geometry.ground_speed(np.arange(5.0), lat, np.full(5, LON))
    np.testing.assert_allclose(speed, 4.11, rtol=1e-6)
    assert np.isnan(geometry.ground_speed([0.0, 0.0], [LAT, LAT], [LON, LON])).all()


def test_30_m_4_5_ms_and_4_11_m_s_belong_together_at_0_617_mrad() -> None:
    assert float(geometry.along_track_ratio(4.11, 0.0045, 30.0, 0.617)) == pytest.approx(
        1.0, abs=0.002
    )
    assert np.isnan(geometry.along_track_ratio(4.11, 0.0045, 0.0, 0.617))


def rectangle(west_m: float, south_m: float, east_m: float, north_m: float) -> np.ndarray:
    north, east = (float(one) for one in geometry.metres_per_degree(LAT))
    x, y = [west_m, east_m, east_m, west_m], [south_m, south_m, north_m, north_m]
    return np.column_stack([LON + np.array(x) / east, LAT + np.array(y) / north])


def test_coverage_and_gaps_of_two_strips_with_a_gap_between() -> None:
    survey = rectangle(0, 0, 100, 100)
    strips = [rectangle(-5, -5, 40, 105), rectangle(50, -5, 120, 105)]
    assert geometry.coverage(strips, survey) == pytest.approx(0.9, abs=1e-6)
    (gap,) = geometry.gaps(strips, survey)
    wanted = rectangle(40, 0, 50, 100)
    np.testing.assert_allclose(gap.min(axis=0), wanted.min(axis=0), atol=1e-9)
    np.testing.assert_allclose(gap.max(axis=0), wanted.max(axis=0), atol=1e-9)
    assert geometry.coverage([*strips, rectangle(35, -5, 55, 105)], survey) == pytest.approx(1)
    assert geometry.gaps([rectangle(-5, -5, 105, 105)], survey) == []
    assert geometry.coverage([], survey) == 0
    assert math.isnan(geometry.coverage(strips, np.repeat(survey[:1], 4, axis=0)))


def test_coverage_across_the_180th_meridian_is_that_elsewhere() -> None:
    def there(ring: np.ndarray) -> np.ndarray:
        return np.column_stack([(ring[:, 0] - LON + 359.9995) % 360 - 180, ring[:, 1]])

    survey, strips = rectangle(0, 0, 100, 100), [rectangle(-5, -5, 40, 105)]
    moved = [there(strip) for strip in strips]
    assert np.ptp(there(survey)[:, 0]) > 359
    assert geometry.coverage(moved, there(survey)) == pytest.approx(0.4, abs=1e-6)
    (gap,) = geometry.gaps(moved, there(survey))
    assert (np.abs(gap[:, 0]) <= 180).all()


def test_a_footprint_goes_round_the_strip() -> None:
    n = 500
    positions = geometry.sample_positions(
        LAT + np.arange(n) * 1e-6, np.full(n, LON), np.full(n, 30.0), samples=11, ifov_mrad=10.0
    )
    ring = geometry.footprint(positions)
    assert len(ring) <= 400
    length = 499e-6 * float(geometry.metres_per_degree(LAT)[0])
    east, north = metres(ring[:, 1], ring[:, 0])
    area = 0.5 * abs(np.sum(east * np.roll(north, -1) - np.roll(east, -1) * north))
    assert area == pytest.approx(length * 3.0, rel=1e-4)
    nothing = geometry.GroundPositions(np.full((3, 2), math.nan), np.full((3, 2), math.nan))
    assert geometry.footprint(nothing).shape == (0, 2)


def test_sun_is_nan_where_time_or_place_is() -> None:
    found = geometry.sun_elevation([0.0, math.nan], [LAT, LAT], [LON, LON])
    assert np.isfinite(found[0])
    assert np.isnan(found[1])


def test_change_of_the_suns_cosine_follows_the_sun() -> None:
    panels = 1_781_000_000.0 + 3600 * np.array([0.0])
    lines = panels[0] + np.linspace(-1200, 1800, 5000)
    got = geometry.sun_cosine_change(lines, panels, LAT, LON)
    both = geometry.sun_elevation([panels[0], lines[0], lines[-1]], LAT, LON)
    up = np.sin(np.radians(both))
    wanted = max(up[1] / up[0] - 1, up[2] / up[0] - 1, key=abs)
    assert got == pytest.approx(wanted, rel=1e-3)
    assert math.isnan(geometry.sun_cosine_change([math.nan], panels, LAT, LON))


def test_inputs_are_unchanged() -> None:
    lat = LAT + np.arange(5) * 1e-6
    height = np.array([30.0, -1.0, 30.0, 30.0, 30.0])
    before = lat.copy(), height.copy()
    geometry.sample_positions(lat, np.full(5, LON), height, samples=3, ifov_mrad=1.0)
    np.testing.assert_array_equal(lat, before[0])
    np.testing.assert_array_equal(height, before[1])
