"""The light from a log: linear in time, honest where the log is noisy, late or has a gap."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.errors import CalibrationError
from pipeline.radiometry import illumination
from pipeline.radiometry.illumination import LightCurve, curve_from_log, from_log, illumination_at


@pytest.fixture
def rng():
    return np.random.default_rng(6)


def test_a_log_is_linear_in_time_and_one_at_the_panels():
    log_time = np.arange(0, 101, 10.0)
    log_value = 500 + log_time
    light = from_log(np.array([20.0, 25, 60]), log_time, log_value, np.array([20.0]))
    np.testing.assert_allclose(light.ratio, [1, 525 / 520, 560 / 520], rtol=1e-12)
    np.testing.assert_allclose(light.uncertainty, 0, atol=1e-12)  # a log without scatter
    assert not light.extrapolated.any()


def test_a_quiet_log_is_followed_row_by_row():
    log_time = np.arange(0, 600, 1.0)
    cloud = np.where((log_time > 200) & (log_time < 230), 0.6, 1.0)
    at = np.array([199.0, 205.25, 216.0, 240.0])
    light = from_log(at, log_time, cloud, np.array([50.0]))
    np.testing.assert_allclose(light.ratio, np.interp(at, log_time, cloud), rtol=1e-3)


def test_the_reference_is_the_mean_over_the_panels_times():
    light = from_log(
        np.array([5.0]), np.array([0.0, 10]), np.array([100.0, 200]), np.array([0.0, 10, np.nan])
    )
    assert light.ratio[0] == pytest.approx(1)


def test_outside_the_log_the_trend_goes_on_and_is_as_uncertain_as_what_it_adds():
    log_time = np.arange(0, 101, 1.0)
    log_value = 500 - 0.5 * log_time  # loses a tenth in 100 s
    lines = np.array([-20.0, 0, 50, 100, 120, np.nan])
    light = from_log(lines, log_time, log_value, np.array([0.0]))
    assert light.extrapolated.tolist() == [True, False, False, False, True, True]
    np.testing.assert_allclose(light.ratio[[0, 4]], [1.02, 0.88], atol=1e-3)
    np.testing.assert_allclose(light.uncertainty[[0, 4]], 0.02, rtol=0.02)
    assert light.ratio[5] == 1
    assert light.uncertainty[5] > 0.04


def test_light_never_falls_to_zero_beyond_a_log():
    light = from_log(
        np.array([500.0]), np.arange(0, 101.0), 100 - 0.9 * np.arange(101), np.zeros(1)
    )
    assert light.ratio[0] > 0


def test_panels_before_the_log_carry_the_time_between_in_their_reference():
    """The nearest row as reference, without uncertainty, was 5.5 % low and called good."""
    log_time = np.arange(120, 601, 1.0)
    log_value = 1000 * (1 - 0.12 * log_time / 600)
    light = from_log(np.array([10.0, 60, 300]), log_time, log_value, np.array([10.0]))
    truth = (1 - 0.12 * np.array([10, 60, 300]) / 600) / (1 - 0.12 * 10 / 600)
    np.testing.assert_allclose(light.ratio, truth, rtol=2e-3)
    # 110 s at 0.02 % a second, for the line within the log; nothing for one beside the panels.
    np.testing.assert_allclose(light.uncertainty[2], 0.022, rtol=0.1)
    assert light.uncertainty[0] < 1e-9
    assert light.extrapolated.tolist() == [True, True, False]


def test_panels_in_a_gap_carry_the_change_across_it():
    log_time = np.concatenate([np.arange(0, 100.0), np.arange(300, 500.0)])
    log_value = np.where(log_time < 200, 1000.0, 900.0)
    light = from_log(np.array([50.0, 400.0]), log_time, log_value, np.array([200.0]))
    np.testing.assert_allclose(light.ratio, [1 / 0.95, 0.9 / 0.95], rtol=2e-3)
    assert (light.uncertainty > 0.045).all()


def test_a_long_gap_is_flagged_and_a_short_one_is_not():
    log_time = np.concatenate([np.arange(10.0), 9 + np.arange(12, 20.0), [31.0, 33]])
    lines = np.array([5.5, 15, 30, 32, 9])
    light = from_log(lines, log_time, np.ones(len(log_time)), np.array([1.0]))
    assert light.extrapolated.tolist() == [False, True, False, False, False]


def test_across_a_gap_the_change_is_uncertain_by_the_share_to_its_nearer_end():
    log_time = np.concatenate([np.arange(0, 100.0), np.arange(200, 300.0)])
    log_value = np.where(log_time < 150, 1000.0, 800.0)
    light = from_log(np.array([110.0, 150.0, 190.0]), log_time, log_value, np.array([10.0]))
    assert (light.uncertainty >= [0.02, 0.099, 0.02]).all()
    assert light.extrapolated.all()


KINDS = {
    "steady": lambda t: 1 + 0 * t,
    "falling": lambda t: 1 - 0.12 * t / 600,
    "slow": lambda t: 1 + 0.1 * np.sin(t / 300),
}


def coverage(rng, noise, true, keep=lambda t: t >= 0, flights=60):
    """Share within k = 2 and mean square of error over uncertainty, over drawn logs."""
    inside, squares = [], []
    for _ in range(flights):
        t = np.arange(0, 600, 1.0) + rng.random()
        value = true(t) * (1 + noise * rng.standard_normal(t.size))
        lines, panels = rng.uniform(60, 560, 200), np.array([50.3, 52.1, 53.0])
        light = from_log(lines, t[keep(t)], value[keep(t)], panels)
        z = (light.ratio - true(lines) / true(panels).mean()) / light.uncertainty
        inside.append(np.mean(np.abs(z) <= 2))
        squares.append(np.mean(z**2))
    return np.mean(inside), np.mean(squares)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("noise", [0.004, 0.02])
def test_a_noisy_logs_uncertainty_holds(rng, kind, noise):
    """95.45 % for a normal error; what chance and the model's caution leave is 93 to 99.7 %."""
    inside, squares = coverage(rng, noise, KINDS[kind])
    assert 0.93 <= inside <= 0.997
    assert 0.4 <= squares <= 1.2


def test_noise_hides_no_change_and_is_averaged(rng):
    """Rows of 2 % noise under light that barely moves: ten times better than one row."""
    t = np.arange(0, 600, 1.0)
    value = KINDS["slow"](t) * (1 + 0.02 * rng.standard_normal(t.size))
    light = from_log(t[60:540], t, value, np.array([50.0]))
    wanted = KINDS["slow"](t[60:540]) / KINDS["slow"](50.0)
    assert np.sqrt(np.mean((light.ratio - wanted) ** 2)) < 0.008
    assert np.median(light.uncertainty) < 0.01


def test_a_whole_cube_between_two_rows_shares_their_errors(rng):
    """Line and panels stand in the same second: what the two rows are wrong by cancels."""
    inside = []
    for _ in range(100):
        t = np.arange(0, 30, 1.0)
        value = 1 + 0.02 * rng.standard_normal(t.size)
        lines = 10.2 + np.linspace(0, 0.4, 50)
        light = from_log(lines, t, value, np.array([10.4]))
        inside.append(np.abs(light.ratio - 1) <= 2 * light.uncertainty + 1e-12)
        assert light.uncertainty.max() < 0.02
    assert np.mean(inside) >= 0.93


@pytest.mark.parametrize(
    "keep",
    [lambda t: t > 120, lambda t: (t < 20) | (t > 140), lambda t: t < 400],
    ids=["begins late", "gap at the panels", "ends early"],
)
def test_light_that_swings_is_covered_where_the_log_has_no_rows(rng, keep):
    inside, squares = [], []
    for _ in range(60):
        phase, period = rng.uniform(0, 2 * np.pi), rng.uniform(50, 400)

        def swing(t, phase=phase, period=period):
            return 1 + 0.1 * np.sin(t / period + phase)

        one = coverage(rng, 0.002, swing, keep, flights=1)
        inside.append(one[0])
        squares.append(one[1])
    assert np.mean(inside) >= 0.9
    assert np.mean(squares) < 1.6


def test_a_log_out_of_order_with_gaps_and_repeats_is_read():
    light = from_log(
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
        ([0.0], [1.0], [0.0], "two rows or more of the irradiance log, got 1"),
        ([0.0, 1], [1.0, 0], [0.0], "above 0"),
        ([0.0, 1], [1.0, 1], [np.nan], "no panel reading"),
    ],
)
def test_a_log_that_cannot_serve_is_refused(times, values, panels, says):
    with pytest.raises(CalibrationError, match=says):
        from_log(np.zeros(1), np.array(times), np.array(values), np.array(panels))


NM = np.linspace(400, 1000, 31)


def test_light_by_band_is_linear_in_wavelength_between_columns():
    t = np.arange(0, 100, 1.0)
    columns = np.array([400.0, 700.0, 1000.0])
    fall = np.array([0.3, 0.2, 0.1])  # a low sun loses its blue
    value = 1 - fall * t[:, None] / 100
    curve = curve_from_log(
        t, value, np.array([0.0]), log_wavelength_nm=columns, wavelength_nm=NM, line_time=t
    )
    light = illumination_at(curve, np.array([50.0]))
    assert light.ratio.shape == (31, 1)
    np.testing.assert_allclose(light.ratio[:, 0], 1 - np.interp(NM, columns, fall) / 2, rtol=1e-9)


def test_bands_outside_the_logs_wavelengths_are_as_uncertain_as_the_change_inside():
    t = np.arange(0, 100, 1.0)
    columns = np.linspace(500, 800, 61)
    fall = 0.3 - 0.2 * (columns - 500) / 300
    value = 1 - fall * t[:, None] / 100
    curve = curve_from_log(t, value, np.array([0.0]), log_wavelength_nm=columns, wavelength_nm=NM)
    light = illumination_at(curve, np.array([0.0, 50.0]))
    assert light.ratio[0, 1] == pytest.approx(1 - 0.15)  # 400 nm has the ratio of 500 nm
    # ... and the change from 500 to 600 nm as uncertainty; 1000 nm that from 800 to 600.
    assert light.uncertainty[0, 1] == pytest.approx(0.2 / 3 / 2, rel=1e-3)
    assert light.uncertainty[-1, 1] == pytest.approx(0.2 * 2 / 3 / 2, rel=1e-3)
    assert light.uncertainty[:, 0].max() < 1e-9  # at the panels nothing is unknown
    inside = (NM >= 500) & (NM <= 800)
    assert light.uncertainty[inside].max() < 1e-9


def test_a_dead_column_of_a_log_is_left_out_and_a_missing_row_is_passed_over():
    t = np.arange(0, 100, 1.0)
    value = np.repeat((1 - 0.1 * t / 100)[:, None], 3, axis=1)
    value[:, 1] = 0.0
    value[40, 0] = np.nan
    columns = np.array([400.0, 700.0, 1000.0])
    curve = curve_from_log(t, value, np.array([0.0]), log_wavelength_nm=columns, wavelength_nm=NM)
    np.testing.assert_allclose(illumination_at(curve, np.array([50.0])).ratio, 0.95, rtol=1e-6)


def test_a_log_without_any_light_by_band_is_refused():
    with pytest.raises(CalibrationError, match="no column"):
        curve_from_log(
            np.arange(3.0),
            np.zeros((3, 2)),
            np.zeros(1),
            log_wavelength_nm=np.array([400.0, 900]),
            wavelength_nm=NM,
        )


def test_no_correction_is_one_without_uncertainty():
    light = illumination.constant(3)
    assert light.ratio.tolist() == [1, 1, 1]
    assert not light.uncertainty.any()
    assert not light.extrapolated.any()


def test_another_uncertainty_is_added_in_quadrature_by_band_where_it_is():
    light = from_log(np.array([20.0]), np.arange(0, 101.0), 500 + np.arange(101.0), np.zeros(1))
    more = illumination.with_more(light, np.array([[0.3], [0.4]]))
    np.testing.assert_allclose(more.uncertainty, [[0.3], [0.4]], rtol=1e-6)
    np.testing.assert_allclose(more.ratio, [[1.04], [1.04]], rtol=1e-9)


def test_does_not_change_input():
    arrays = [np.array([2.0, 1, 0]), np.array([2.0, 0, 1]), np.array([1.0, 2, 3]), np.ones(3)]
    kept = [a.copy() for a in arrays]
    from_log(*arrays)
    for array, before in zip(arrays, kept, strict=True):
        np.testing.assert_array_equal(array, before)


def test_what_a_line_shares_with_the_panels_has_cancelled(rng):
    log_time = np.arange(0, 300.0, 1.0)
    log_value = 1 + 0.02 * rng.standard_normal(log_time.size)
    curve = curve_from_log(log_time, log_value, np.array([150.0]))
    light = illumination_at(curve, np.array([150.0, 290.0]))
    assert light.ratio[0] == pytest.approx(1, abs=1e-12)
    assert light.uncertainty[0] < 1e-6
    assert light.uncertainty[1] > 1e-4


def test_a_gap_wanders_as_what_nobody_saw():
    band = np.ones(1)
    level = np.ones((2, 1))
    curve = LightCurve(
        np.array([0.0, 100.0]), level, 0 * level, 0 * level[:1], 0 * band, 1e-6 * band,
        np.array([True]), np.ones(2, bool), 0 * band, 0 * band,
    )  # fmt: skip
    # A Brownian bridge of 1e-6 a second: 1e-6 x 100 x 1/4 at its middle.
    light = illumination_at(curve, np.array([50.0]))
    np.testing.assert_allclose(light.uncertainty, 0.005)
    seen = replace(curve, gap=np.array([False]))
    np.testing.assert_allclose(illumination_at(seen, np.array([50.0])).uncertainty, 0)
