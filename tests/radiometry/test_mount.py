"""Lines of sight against scipy's rotations: intrinsic turns by heading, pitch and roll, as ISO
1151-2 has them (from memory), of axes forward, right and down."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.radiometry.geometry import metres_per_degree, sample_positions
from pipeline.radiometry.mount import lines_of_sight

SAMPLES, IFOV = 41, 2.0
ATTITUDES = [(0.0, 0.0, 0.0), (3.0, -2.0, 20.0), (-7.0, 5.0, 300.0)]
MOUNTS = [(0.0, 0.0, 0.0), (1.5, 0.0, 0.0), (0.0, -2.0, 0.0), (0.0, 0.0, 4.0), (1.0, -2.0, 179.0)]


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("attitude", ATTITUDES)
def test_samples_meet_the_ground_where_rotations_say(
    attitude: tuple[float, float, float], mount: tuple[float, float, float], mirrored: bool
) -> None:
    roll, pitch, heading = attitude
    height = 30.0
    across = (np.arange(SAMPLES) - (SAMPLES - 1) / 2) * IFOV * 1e-3 * (-1 if mirrored else 1)
    camera = np.column_stack([np.zeros(SAMPLES), across, np.ones(SAMPLES)])
    turns = [
        Rotation.from_euler("ZYX", [h, p, r], degrees=True)
        for r, p, h in ((roll, pitch, heading), mount)
    ]
    north, east, down = (turns[0] * turns[1]).apply(camera).T
    expected = np.stack([north / down, east / down]) * height
    lat, lon = sample_positions(
        [50.0], [7.0], [height], samples=SAMPLES, ifov_mrad=IFOV, roll_deg=[roll],
        pitch_deg=[pitch], heading_deg=[heading], mirrored=mirrored, boresight_deg=mount,
    )  # fmt: skip
    north_m, east_m = metres_per_degree(50.0)
    found = np.stack([(lat[0] - 50.0) * north_m, (lon[0] - 7.0) * east_m])
    np.testing.assert_allclose(found, expected, atol=1e-6)


def test_without_a_mount_the_middle_sample_looks_straight_down() -> None:
    look = lines_of_sight(SAMPLES, IFOV)
    np.testing.assert_array_equal(look[:, SAMPLES // 2], [0.0, 0.0, 1.0])
    assert (np.diff(look[1]) > 0).all()
    assert (np.diff(lines_of_sight(SAMPLES, IFOV, mirrored=True)[1]) < 0).all()


def test_a_line_of_sight_above_the_horizon_meets_nothing() -> None:
    lat, _ = sample_positions(
        [50.0], [7.0], [30.0], samples=3, ifov_mrad=1.0, heading_deg=[0.0],
        boresight_deg=(95.0, 0.0, 0.0),
    )  # fmt: skip
    assert np.isnan(lat).all()
