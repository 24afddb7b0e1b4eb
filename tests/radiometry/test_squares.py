"""Strips in squares, and two of them on one ground."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Transformer

from pipeline.flags import QualityFlag
from pipeline.radiometry.checks.ground import strip_agreement, worst_overlap
from pipeline.radiometry.grid import projection
from pipeline.radiometry.kernel import CalibratedBlock, block_buffers
from pipeline.radiometry.squares import (
    Overlap,
    SquarePlan,
    Squares,
    cells_of,
    joined,
    overlap,
    square_means,
    square_plan,
    square_step_m,
)
from pipeline.records import Array

UTM = projection(32631)
PLACE = Transformer.from_crs("EPSG:32631", "EPSG:4326", always_xy=True).transform
STEP_M = 0.16


def block(values: Array) -> CalibratedBlock:
    made = block_buffers(*values.shape, uncertainty=False)
    made.reflectance[...] = np.rint(values * 1e4)
    made.flags[...] = 0
    return made


def strip(west_m: float, values: Array) -> Squares:
    """Squares of (band, row, column) that lie on the grid, the first column at `west_m`."""
    rows, columns = values.shape[1:]
    y, x = np.meshgrid(
        np.arange(rows) * STEP_M, west_m + np.arange(columns) * STEP_M, indexing="ij"
    )
    longitude, latitude = PLACE(500_000.08 + x, 6_084_000.08 + y)
    return Squares(values.astype(np.float32), latitude, longitude)


@pytest.mark.parametrize(
    ("samples", "side"), [(2000, 8), (640, 8), (320, 4), (256, 4), (100, 1), (8, 1)]
)
def test_squares_are_as_large_as_leaves_enough_of_them(samples: int, side: int) -> None:
    assert square_plan(270, samples).side == side
    assert square_plan(270, samples).bands == (16, 50, 84, 118, 151, 185, 219, 253)
    assert square_plan(3, samples).bands == (0, 1, 2)


def test_means_are_of_sound_samples() -> None:
    values = np.random.default_rng(1).uniform(0.1, 0.5, (3, 9, 14)).round(4)
    made = block(values)
    made.flags[1, 0, 0] = QualityFlag.SATURATED
    made.flags[2, :4, 4:8] = QualityFlag.BAD_ELEMENT
    made.reflectance[1, 5, 5] = -32768
    before = made.reflectance.copy()
    found = square_means(SquarePlan(4, (1, 2)), made)
    np.testing.assert_array_equal(made.reflectance, before)
    assert found.shape == (2, 2, 3)  # the ninth line and the last two samples are left out
    first = np.delete(values[1, :4, :4].ravel(), 0).mean()
    assert found[0, 0, 0] == pytest.approx(first, rel=1e-6)
    holed = np.delete(values[1, 4:8, 4:8].ravel(), 5).mean()
    assert found[0, 1, 1] == pytest.approx(holed, rel=1e-6)
    assert np.isnan(found[1, 0, 1])
    assert found[1, 1, 2] == pytest.approx(values[2, 4:8, 8:12].mean(), rel=1e-6)


@pytest.mark.parametrize("east", [10.0, 179.99999])
def test_a_square_lies_where_its_samples_do(east: float) -> None:
    line, sample = np.meshgrid(np.arange(8), np.arange(12), indexing="ij")
    latitude, longitude = 50 + 1e-6 * line, (east + 1e-6 * sample + 180) % 360 - 180
    found = joined(SquarePlan(4, (0,)), [np.zeros((1, 1, 3), np.float32)] * 2, latitude, longitude)
    assert found.reflectance.shape == (1, 2, 3)
    np.testing.assert_allclose(
        found.latitude[:, 0], 50 + 1e-6 * np.array([1.5, 5.5]), rtol=0, atol=1e-10
    )
    apart = (found.longitude[0] - east + 180) % 360 - 180
    np.testing.assert_allclose(apart, 1e-6 * np.array([1.5, 5.5, 9.5]), atol=1e-9)


def test_a_step_is_the_squares_width() -> None:
    # UTM at its central meridian is 0.9996 of the ellipsoid, and the step is on the plane.
    assert square_step_m(strip(0.0, np.ones((1, 20, 10))), UTM) == pytest.approx(STEP_M, rel=1e-3)


def compared(light: float, shift: float, offset: float = 0.0) -> Overlap | None:
    """Two strips of one patchy ground, 20 squares wide and `shift` columns apart; the second under
    other light, with the same path signal in both."""
    ground = np.random.default_rng(2).uniform(0.05, 0.6, (4, 300, 60))
    column = int(shift)
    a, b = ground[:, :, :20], ground[:, :, column : column + 20]
    b = light * (b - offset) + offset
    cells = [cells_of(strip(x, v), UTM, STEP_M) for x, v in ((0.0, a), (column * STEP_M, b))]
    return overlap("a", "b", *cells, np.full(4, offset))


@pytest.mark.parametrize("offset", [0.0, -0.05])
def test_other_light_is_found_whatever_the_offset(offset: float) -> None:
    found = compared(0.92, 14, offset)
    assert found is not None
    assert found.difference == pytest.approx(-0.08 / 0.96, abs=1e-3)
    assert found.apart.size == 300 * 6
    assert set(found.column) == set(range(14, 20))


def test_strips_that_hardly_meet_are_not_compared() -> None:
    assert compared(0.9, 20) is None


def test_strips_of_one_ground_agree() -> None:
    found = compared(1.0, 12)
    assert found is not None
    assert abs(found.difference) < 1e-4
    np.testing.assert_allclose(found.of_first, found.of_second, atol=1e-4)


def test_the_error_is_that_of_the_median() -> None:
    """Over many grounds, against the scatter itself."""
    rng, found = np.random.default_rng(3), []
    for _ in range(150):
        a, b = 0.3 * (1 + 0.2 * rng.standard_normal((2, 1, 200, 8)))
        cells = [cells_of(strip(0.0, v), UTM, STEP_M) for v in (a, b)]
        one = overlap("a", "b", *cells, np.zeros(1))
        assert one is not None
        found.append((one.difference, one.error))
    difference, error = np.array(found).T
    assert np.sqrt((error**2).mean()) == pytest.approx(difference.std(), rel=0.2)


def made(difference: float, error: float, second: str = "b") -> Overlap:
    none = np.empty(0)
    index = np.empty(0, np.intp)
    return Overlap("a", second, difference, error, index, index, none, none, none)


@pytest.mark.parametrize(
    ("overlaps", "verdict", "value"),
    [
        ([made(-0.08, 0.002), made(0.01, 0.001)], "caution", 0.08),
        ([made(0.051, 0.002)], "caution", 0.051),
        ([made(0.049, 0.002)], "pass", 0.049),
        ([made(0.20, 0.07)], "pass", 0.20),  # below 3 standard errors
        ([made(0.20, 0.07), made(0.06, 0.01)], "caution", 0.06),
        ([], "not checked", None),
    ],
)
def test_a_row_of_each_verdict(overlaps: list[Overlap], verdict: str, value: float | None) -> None:
    row = strip_agreement(overlaps)
    assert (row.check, row.verdict) == ("strip-agreement", verdict)
    assert row.value == (None if value is None else pytest.approx(value))
    if verdict == "caution":
        assert row.subject == "a and b"
        assert "it may be the light or the direction of view" in row.says
        assert "no correction tells them apart" in row.do


def test_the_worst_is_one_beyond_its_error() -> None:
    worst = worst_overlap([made(0.2, 0.07, "b"), made(0.01, 0.001, "c")])
    assert worst is not None
    assert worst.second == "c"
    assert worst_overlap([]) is None
