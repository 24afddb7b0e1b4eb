"""A steady quantity seldom alarms, a change soon does, and a slow one is found by the average."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.radiometry.control_charts import BASELINE, control_chart

FLIGHTS, CHANGE = 40, 24  # flight 25 is the first that differs


def steady(seed: int, flights: int = FLIGHTS) -> np.ndarray:
    return np.random.default_rng(seed).normal(100.0, 0.5, flights)


def after(step: float) -> np.ndarray:
    return step * (np.arange(FLIGHTS) >= CHANGE)


def test_a_dozen_steady_quantities_over_a_season_seldom_alarm() -> None:
    alarms = [len(control_chart(steady(seed)).outside) for seed in range(9600)]
    seasons = np.reshape(alarms, (800, 12)).sum(axis=1)
    # Expected from the chances and the flights that are judged, of which a run counts once.
    assert seasons.mean() < 12 * (FLIGHTS - BASELINE) * (3e-4 + 1e-3)
    assert np.mean(seasons > 2) <= 0.01


@pytest.mark.parametrize(("step", "share"), [(2.0, 0.9), (2.5, 0.97), (-2.5, 0.97)])
def test_a_step_is_found_within_five_flights(step: float, share: float) -> None:
    found = []
    for seed in range(100):
        broken = control_chart(steady(seed) + after(step)).broken
        found.append(any(broken[CHANGE : CHANGE + 5]))
    assert np.mean(found) >= share


def test_a_slow_drift_is_found_by_the_average_first() -> None:
    first = []
    for seed in range(200):
        drift = 0.05 * np.maximum(np.arange(60) - BASELINE, 0)  # a tenth of a deviation a flight
        broken = control_chart(steady(seed, 60) + drift).broken
        first.append(next((rule for rule in broken if rule), "none"))
    assert first.count("none") == 0
    assert first.count("ewma") >= 0.9 * len(first)


def test_the_centre_is_that_of_the_first_ten_and_limits_close_in() -> None:
    values = steady(3)
    chart = control_chart(values)
    assert chart.centre == pytest.approx(values[:10].mean(), rel=1e-12)
    assert np.isnan(chart.half_width[:10]).all()
    assert chart.limit < chart.half_width[10]
    assert chart.broken == ("",) * FLIGHTS


def test_flights_to_come_change_no_judgement_of_those_before() -> None:
    values = steady(4) + after(1.5)
    whole = control_chart(values)
    for n in range(BASELINE, FLIGHTS):
        part = control_chart(values[:n])
        assert part.broken == whole.broken[:n]
        np.testing.assert_array_equal(part.half_width, whole.half_width[:n])


def test_with_too_few_flights_nothing_is_judged() -> None:
    chart = control_chart(steady(5)[:9])
    assert np.isnan(chart.centre)
    assert chart.broken == ("",) * 9


def test_a_flight_that_says_nothing_is_passed_over() -> None:
    values = steady(6)
    holes = np.insert(values, [3, 20], np.nan)
    chart = control_chart(holes)
    assert chart.centre == control_chart(values).centre
    assert chart.limit == control_chart(values).limit
    assert np.isnan(chart.average[[3, 21]]).all()


def test_a_flight_known_badly_is_judged_by_wider_limits() -> None:
    values, u = steady(7), np.full(FLIGHTS, 0.1)
    values[30] += 6.0
    assert control_chart(values, u).broken[30] == "individuals"
    u[30] = 3.0
    assert control_chart(values, u).broken == ("",) * FLIGHTS


def test_the_flights_own_uncertainty_is_the_least_scatter() -> None:
    values = np.full(FLIGHTS, 100.0)
    values[30] += 1.0
    assert control_chart(values, np.full(FLIGHTS, 0.5)).broken == ("",) * FLIGHTS
    assert control_chart(values, np.full(FLIGHTS, 0.05)).broken[30] == "individuals"
    assert control_chart(values, least=0.5).broken == ("",) * FLIGHTS


def test_one_bad_flight_is_no_drift() -> None:
    values = steady(8)
    values[20] += 50.0
    chart = control_chart(values)
    assert [(start, stop) for start, stop in chart.outside] == [(20, 21)]
    assert chart.limit < 3.0


def test_a_wild_flight_among_the_first_is_named_and_replaced() -> None:
    values = steady(9)
    values[4] += 50.0
    chart = control_chart(values)
    kept = np.delete(values[:11], 4)
    assert chart.centre == pytest.approx(kept.mean(), rel=1e-12)
    assert chart.outside == ((4, 5),)


@given(st.lists(st.floats(-1e6, 1e6) | st.just(float("nan")), max_size=30), st.floats(-1e3, 1e3))
def test_the_chart_moves_with_its_values(values: list[float], by: float) -> None:
    each = np.array(values)
    before = each.copy()
    here, there = control_chart(each, least=1.0), control_chart(each + by, least=1.0)
    np.testing.assert_array_equal(each, before)
    assert len(here.broken) == each.size
    if np.isfinite(here.centre):
        assert there.centre == pytest.approx(here.centre + by, abs=1e-6)
