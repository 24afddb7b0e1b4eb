"""Cells on a map plane and the samples that saw them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info

from pipeline.radiometry.grid import (
    Window,
    fit_projection,
    grid_over,
    line_reach,
    nearest_samples,
    projected,
    utm_epsg,
)

GEOD = Geod(ellps="WGS84")


def to_utm(epsg: int):
    return Transformer.from_crs("EPSG:4326", f"EPSG:{epsg}", always_xy=True).transform


@pytest.mark.parametrize("latitude", [-79.9, -33.0, -0.1, 0.1, 54.9, 71.0, 83.9])
@pytest.mark.parametrize("longitude", [-179.99, -120.01, -0.01, 0.01, 3.2, 5.99, 6.01, 179.99])
def test_the_zone_is_the_one_whose_area_of_use_holds_the_place(latitude, longitude):
    """Areas of use as the EPSG data set has them, through pyproj."""
    area = AreaOfInterest(longitude, latitude, longitude, latitude)
    codes = {int(i.code) for i in query_utm_crs_info("WGS 84", area, contains=True)}
    assert utm_epsg([latitude], [longitude]) in codes


def test_a_flight_across_the_180th_meridian_has_one_of_its_zones():
    assert utm_epsg([10, 10], [179.9995, -179.9985]) in (32601, 32660)
    assert utm_epsg([-10, -10], [179.998, -179.9985]) in (32701, 32760)


def test_beyond_utm_it_is_polar_and_without_a_place_it_is_refused():
    for latitude, epsg in ((88.0, 5041), (-85.0, 5042)):
        assert utm_epsg([latitude], [10.0]) == epsg
        assert CRS.from_epsg(epsg).axis_info[0].name == "Easting"
    with pytest.raises(ValueError, match="no place is known"):
        utm_epsg([math.nan], [10.0])


@given(
    latitude=st.floats(-80, 80),
    longitude=st.floats(-180, 180),
    across_m=st.floats(-1000, 1000),
    along_m=st.floats(-1000, 1000),
)
def test_near_a_strip_the_polynomials_are_the_projection(latitude, longitude, across_m, along_m):
    """Against pyproj's transverse Mercator, a kilometre around any place."""
    project = to_utm(utm_epsg([latitude], [longitude]))
    azimuth = np.arange(0.0, 360.0, 45.0)
    lon, lat, _ = GEOD.fwd(*np.full((2, 8), [[longitude], [latitude]]), azimuth, np.full(8, 1400.0))
    place = fit_projection(project, lat, lon)
    x, y, _ = GEOD.fwd(longitude, latitude, math.degrees(math.atan2(across_m, along_m)),
                       math.hypot(across_m, along_m))  # fmt: skip
    found = projected(place, y, x)
    assert np.hypot(*(np.array(found) - project(x, y))) < 1e-3


def test_a_stray_fix_does_not_spoil_its_neighbours():
    project = to_utm(32631)
    lat, lon = 54.9 + np.linspace(0, 1e-4, 50), np.full(50, 3.2)
    lat[7], lon[9] = 12.0, math.nan
    place = fit_projection(project, lat, lon)
    good = np.arange(50) % 9 != 0
    good[7] = False
    x, y = projected(place, lat, lon)
    true = project(lon[good], lat[good])
    np.testing.assert_allclose((x[good], y[good]), true, atol=1e-6)


def test_a_grid_covers_its_extent_on_whole_steps():
    grid = grid_over((499_999.97, 500_010.001), (5_999_990.0, 6_000_000.0), 0.05)
    west, east, south, north = grid.edges(Window(0, 0, grid.rows, grid.columns))
    assert west <= 499_999.97 < 500_010.001 <= east
    assert south <= 5_999_990.0 < 6_000_000.0 <= north
    assert east - west < 10.031 + 0.1
    for edge in (west, east, south, north):
        assert edge / 0.05 == pytest.approx(round(edge / 0.05), abs=1e-6)
    x, y = grid.centres(Window(2, 3, 4, 5))
    assert x.shape == (1, 5)
    assert y.shape == (4, 1)
    assert x[0, 0] == pytest.approx(west + 3.5 * 0.05)
    assert y[0, 0] == pytest.approx(north - 2.5 * 0.05)


def test_windows_tile_the_grid_once():
    grid = grid_over((0.0, 1.03), (0.0, 0.77), 0.01)
    seen = np.zeros((grid.rows, grid.columns), int)
    for w in grid.windows(32):
        seen[w.row : w.row + w.rows, w.column : w.column + w.columns] += 1
    assert (seen == 1).all()


@pytest.mark.parametrize("step", [0.0, -1.0, math.nan])
def test_a_step_that_cannot_be_is_refused(step):
    with pytest.raises(ValueError, match="expected a step above 0"):
        grid_over((0, 1), (0, 1), step)


def test_reach_is_half_the_footprints_diagonal_and_does_not_bridge_a_gap():
    along = np.array([0.0, 0.02, 0.04, 0.06, 0.50, 0.52])
    x = np.stack([np.full(6, -0.01), np.zeros(6), np.full(6, 0.01)], axis=1)
    y = np.repeat(along[:, None], 3, axis=1)
    expected = 0.5 * 1.05 * math.hypot(0.01, 0.02)
    np.testing.assert_allclose(line_reach(x, y), expected)
    y[2] = math.nan
    assert np.isnan(line_reach(x, y)[2])


def nearest(grid, window, lat, lon, place, reach, first_line=0):
    distance = np.full((window.rows, window.columns), np.inf, np.float32)
    source = np.full((window.rows, window.columns), -1, np.int64)
    nearest_samples(grid, window, place, lat, lon, reach, first_line, distance, source)
    return source, distance


@settings(deadline=None)
@given(seed=st.integers(0, 10_000), turn=st.floats(0, 360), step=st.floats(0.01, 0.08))
def test_each_cell_keeps_the_sample_that_a_search_through_all_of_them_finds(seed, turn, step):
    """Against a search by brute force."""
    rng = np.random.default_rng(seed)
    project = to_utm(32631)
    along, across = np.meshgrid(np.arange(14) * 0.02, np.arange(9) * 0.02, indexing="ij")
    along = along + rng.normal(0, 0.006, along.shape)
    azimuth = np.degrees(np.arctan2(across, along)) + turn
    n = along.size
    lon, lat, _ = GEOD.fwd(
        np.full(n, 3.2), np.full(n, 54.9), azimuth.ravel(), np.hypot(along, across).ravel()
    )
    lon, lat = (np.asarray(v).reshape(along.shape) for v in (lon, lat))
    lat[3, 4] = math.nan
    place = fit_projection(project, lat, lon)
    x, y = projected(place, lat, lon)
    grid = grid_over((np.nanmin(x), np.nanmax(x)), (np.nanmin(y), np.nanmax(y)), step)
    window = Window(1, 1, max(grid.rows - 2, 1), max(grid.columns - 2, 1))
    reach = np.full(14, 0.017)
    reach[6] = math.nan
    source, _ = nearest(grid, window, lat, lon, place, reach, first_line=5)
    at_x, at_y = (np.broadcast_to(v, source.shape) for v in grid.centres(window))
    use = np.isfinite(lat) & np.isfinite(reach)[:, None]
    for cell in np.ndindex(source.shape):
        apart = np.where(use, np.hypot(x - at_x[cell], y - at_y[cell]), np.inf)
        if source[cell] < 0:
            assert apart.min() > 0.017 - 1e-6
        else:
            assert apart.ravel()[source[cell] - 5 * 9] < apart.min() + 1e-6
            assert apart.min() < 0.017 + 1e-6


def test_cells_outside_every_footprint_stay_as_they_were():
    project = to_utm(32631)
    lat, lon = np.full((2, 2), 54.9), np.full((2, 2), 3.2)
    place = fit_projection(project, lat, lon)
    x, y = project(3.2, 54.9)
    grid = grid_over((x + 1, x + 2), (y, y + 1), 0.1)
    source, distance = nearest(grid, Window(0, 0, 5, 5), lat, lon, place, np.full(2, 0.5))
    assert (source == -1).all()
    assert np.isinf(distance).all()
