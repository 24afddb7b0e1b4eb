"""Irradiance ratio from a log or from passes: linear in time, honest outside."""

import numpy as np
import pytest

from pipeline.errors import CalibrationError
from pipeline.radiometry import illumination


@pytest.fixture
def rng():
    return np.random.default_rng(6)


def test_a_log_is_linear_in_time_and_one_at_the_panels():
    log_time = np.arange(0, 101, 10.0)
    log_value = 500 + log_time
    light = illumination.from_log(np.array([20.0, 25, 60]), log_time, log_value, np.array([20.0]))
    np.testing.assert_allclose(light.ratio, [1, 525 / 520, 560 / 520], rtol=1e-12)
    np.testing.assert_allclose(light.uncertainty, 0, atol=1e-12)  # a log without scatter
    assert not light.extrapolated.any()


def test_the_reference_is_the_mean_over_the_panels_times():
    light = illumination.from_log(
        np.array([5.0]), np.array([0.0, 10]), np.array([100.0, 200]), np.array([0.0, 10, np.nan])
    )
    assert light.ratio[0] == pytest.approx(1)


def test_outside_the_log_the_nearest_row_holds_and_is_flagged(rng):
    log_time = np.arange(0, 101, 10.0)
    log_value = 500 + 100 * np.sin(log_time / 20)
    lines = np.array([-1.0, 0, 50, 100, 101, np.nan])
    light = illumination.from_log(lines, log_time, log_value, np.array([0.0]))
    assert light.extrapolated.tolist() == [True, False, False, False, True, True]
    assert light.ratio[0] == light.ratio[1]
    assert light.ratio[4] == light.ratio[3]
    assert light.ratio[5] == 1
    assert light.uncertainty[0] > light.uncertainty[1]
    assert light.uncertainty[4] >= log_value.std() / 500


def test_a_long_gap_is_flagged_and_a_short_one_is_not():
    log_time = np.concatenate([np.arange(10.0), 9 + np.arange(12, 20.0), [31.0, 33]])
    lines = np.array([5.5, 15, 30, 32, 9])
    light = illumination.from_log(lines, log_time, np.ones(len(log_time)), np.array([1.0]))
    assert light.extrapolated.tolist() == [False, True, False, False, False]


def test_the_uncertainty_is_the_logs_scatter(rng):
    log_time = np.arange(2000.0)
    log_value = 500 + 50 * np.sin(log_time / 300) + rng.normal(0, 2, 2000)
    light = illumination.from_log(log_time, log_time, log_value, log_time[:400])
    assert np.median(light.uncertainty / light.ratio * log_value) == pytest.approx(2, rel=0.1)


def test_a_log_out_of_order_with_gaps_and_repeats_is_read():
    light = illumination.from_log(
        np.array([5.0]),
        np.array([10.0, 0, 0, np.nan, 5]),
        np.array([200.0, 100, 999, 1, np.nan]),
        np.array([0.0]),
    )
    assert light.ratio[0] == pytest.approx(1.5)


@pytest.mark.parametrize(
    ("times", "values", "panels", "says"),
    [
        ([], [], [0.0], "no usable row"),
        ([0.0, 1], [1.0, 0], [0.0], "above 0"),
        ([0.0, 1], [1.0, 1], [np.nan], "no panel reading"),
    ],
)
def test_a_log_that_cannot_serve_is_refused(times, values, panels, says):
    with pytest.raises(CalibrationError, match=says):
        illumination.from_log(np.zeros(1), np.array(times), np.array(values), np.array(panels))


def test_passes_are_linear_in_time_and_nearest_outside():
    light = illumination.from_passes(
        np.array([-1.0, 0, 5, 10, 11]),
        np.array([10.0, 0]),
        np.array([1.2, 1.0]),
        np.array([0.02, 0.01]),
    )
    np.testing.assert_allclose(light.ratio, [1, 1, 1.1, 1.2, 1.2])
    np.testing.assert_allclose(light.uncertainty, [0.01, 0.01, np.hypot(0.005, 0.01), 0.02, 0.02])
    assert light.extrapolated.tolist() == [True, False, False, False, True]


def test_a_single_pass_is_a_constant():
    light = illumination.from_passes(
        np.array([0.0, 5, np.nan]), np.array([5.0]), np.array([1.0]), np.array([0.01])
    )
    assert light.ratio.tolist() == [1, 1, 1]
    assert light.extrapolated.tolist() == [True, False, True]


@pytest.mark.parametrize(("time", "level"), [(np.nan, 1.0), (0.0, 0.0)])
def test_passes_that_cannot_serve_are_refused(time, level):
    with pytest.raises(CalibrationError):
        illumination.from_passes(np.zeros(1), np.array([time]), np.array([level]), np.array([0.1]))


def test_no_correction_is_one_without_uncertainty():
    light = illumination.constant(3)
    assert light.ratio.tolist() == [1, 1, 1]
    assert not light.uncertainty.any()
    assert not light.extrapolated.any()


def test_does_not_change_input():
    arrays = [np.array([2.0, 1, 0]), np.array([2.0, 0, 1]), np.array([1.0, 2, 3]), np.ones(3)]
    kept = [a.copy() for a in arrays]
    illumination.from_log(*arrays)
    illumination.from_passes(*arrays)
    for array, before in zip(arrays, kept, strict=True):
        np.testing.assert_array_equal(array, before)
