"""Sample positions and speed against geodesics (Karney 2013, through pyproj.Geod)."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Geod

from pipeline.radiometry import geometry

WGS84 = Geod(ellps="WGS84")


@pytest.mark.parametrize("latitude", [-75.0, -33.0, 0.0, 47.0, 65.0, 75.0])
@pytest.mark.parametrize("heading", [0.0, 37.0, 90.0, 201.0])
def test_samples_lie_on_the_geodesic_as_closely_as_stated(latitude: float, heading: float) -> None:
    samples, ifov, height = 101, 20.0, 200.0
    lat, lon = geometry.sample_positions(
        [latitude], [11.0], [height], samples=samples, ifov_mrad=ifov, heading_deg=heading
    )
    right = (np.arange(samples) - 50) * ifov * 1e-3 * height
    bearing = np.where(right >= 0, heading + 90, heading - 90)
    want_lon, want_lat, _ = WGS84.fwd(
        np.full(samples, 11.0), np.full(samples, latitude), bearing, np.abs(right)
    )
    _, _, off = WGS84.inv(lon[0], lat[0], want_lon, want_lat)
    # Meridians converge: 200^2 x tan(latitude) / (2 x 6371 km) is 7 mm at 65 degrees, 12 at 75.
    assert np.max(off) < (0.01 if abs(latitude) <= 65 else 0.02)


def test_speed_is_that_of_the_geodesic() -> None:
    time = np.arange(50) * 0.2
    lon, lat, _ = WGS84.fwd(np.full(50, 11.0), np.full(50, 47.0), np.full(50, 63.0), 4.11 * time)
    np.testing.assert_allclose(geometry.ground_speed(time, lat, lon), 4.11, rtol=1e-5)
    np.testing.assert_allclose(geometry.course(lat, lon), 63.0, atol=1e-3)
