"""Strips flown with wobble, under other light and other view directions."""

from __future__ import annotations

import csv
import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pyproj import Geod
from scipy.spatial.transform import Rotation

from pipeline.synthetic import FlightPlan, make_flight, true_positions, true_reflectance
from pipeline.synthetic.geometry import attitude, swath_m, timetable, track

PLAN = FlightPlan(
    cubes=3, lines=200, samples=64, bands=5, dark_frames=2, wobble_deg=2.0, heading_deg=73.0, seed=3
)


def test_lines_of_sight_meet_the_ground_where_rotations_and_geodesics_say() -> None:
    """scipy's rotations (aerospace sequence yaw, pitch, roll) and pyproj.Geod on WGS 84."""
    geod = Geod(ellps="WGS84")
    for cube in (0, 1):
        latitude, longitude = true_positions(PLAN, cube)
        strip = timetable(PLAN).strips[cube]
        under_lat, under_lon = true_positions(replace(PLAN, wobble_deg=0.0), cube)
        heading = PLAN.heading_deg + (0.0 if strip.direction > 0 else 180.0)
        for line in (0, 77, 199):
            turned = [getattr(strip.attitude, a)[line] for a in ("yaw", "pitch", "roll")]
            turn = Rotation.from_euler("ZYX", [heading + turned[0], *turned[1:]], degrees=True)
            nadir = [(v[line, 31] + v[line, 32]) / 2 for v in (under_lon, under_lat)]
            for sample in (0, 31, 63):
                t = (sample - 31.5) * PLAN.ifov_mrad * 1e-3
                north, east, down = turn.apply([0.0, t, 1.0])
                north, east = PLAN.height_m * north / down, PLAN.height_m * east / down
                azimuth = np.degrees(np.arctan2(east, north))
                lon, lat, _ = geod.fwd(*nadir, azimuth, np.hypot(north, east))
                _, _, apart = geod.inv(lon, lat, longitude[line, sample], latitude[line, sample])
                assert apart < 1e-3


def test_the_wobble_has_the_spread_asked_for_and_the_noise_is_the_tracks_alone() -> None:
    time = PLAN.start.timestamp() + np.arange(0.0, 600.0, 0.05)
    turned = attitude(PLAN, time)
    for angle in (turned.roll, turned.pitch, turned.yaw):
        assert angle.std() == pytest.approx(2.0, rel=0.05)
    table = timetable(PLAN)
    noisy = replace(PLAN, attitude_noise_deg=0.3, gnss_noise_m=0.5)
    true, seen = track(PLAN, table), track(noisy, timetable(noisy))
    assert (seen.roll_deg - true.roll_deg).std() == pytest.approx(0.3, rel=0.1)
    east = (seen.longitude - true.longitude) * 111_320 * np.cos(np.radians(PLAN.latitude))
    assert 0.1 < east.std() < 1.0
    assert np.abs(np.diff(east)).max() < 0.3  # it wanders and does not jump
    np.testing.assert_array_equal(true_positions(PLAN, 1)[0], true_positions(noisy, 1)[0])


def test_a_panel_seen_askew_fills_its_window() -> None:
    from pipeline.synthetic.scene import core_window

    plan = replace(PLAN, samples=400, lines=300)
    strip = timetable(plan).strips[0]
    truth = true_reflectance(plan, 0)
    for number in range(len(plan.panels)):
        window = core_window(plan, strip, number)
        assert window is not None
        (a, b), (c, d) = window
        assert (b - a) * (d - c) > 300
        part = truth[a:b, :, c:d]
        assert np.ptp(part, axis=(0, 2)).max() < 2e-6


def test_light_of_one_strip_is_in_the_log_and_in_the_counts(tmp_path: Path) -> None:
    plan = replace(PLAN, strip_light=((1, 0.92),))
    truth = make_flight(tmp_path, plan)
    np.testing.assert_allclose(truth.irradiance_ratio[1], 0.92, rtol=1e-5)
    np.testing.assert_allclose(truth.irradiance_ratio[[0, 2]], 1.0, rtol=1e-5)
    with (tmp_path / "irradiance.csv").open(newline="") as file:
        log = [(r["time_utc"], float(r["irradiance"])) for r in csv.DictReader(file)]
    when = np.array([dt.datetime.fromisoformat(t).timestamp() for t, _ in log])
    level = np.interp(truth.line_time_s.mean(axis=1), when, [e for _, e in log])
    assert level[1] / level[0] == pytest.approx(0.92, abs=1e-4)
    with pytest.raises(ValueError, match="strip_light: expected a cube below 3, got 3"):
        replace(PLAN, strip_light=((3, 0.5),))


def test_a_directional_slope_is_fixed_to_the_ground_and_spares_panels() -> None:
    even = replace(PLAN, wobble_deg=0.0)
    plan = replace(even, directional_slope=0.1)
    for cube, sign in ((0, 1), (1, -1)):
        ratio = true_reflectance(plan, cube)[-20:] / true_reflectance(even, cube)[-20:]
        across = sign * (np.arange(64) - 31.5) * plan.sample_m / swath_m(plan)
        expected = np.broadcast_to(1 + 0.1 * across, ratio.shape)
        np.testing.assert_allclose(ratio, expected, rtol=2e-4)
