"""The panel that changed is named, and not the ones that are compared with it."""

import numpy as np
import pytest

from pipeline.radiometry.control_charts import BASELINE
from pipeline.radiometry.panels.agreement import panel_levels, panel_record

FLIGHTS, CHANGE = 40, 24


def season(seed: int, scatter: list[float]) -> np.ndarray:
    """Levels over flights: the light, each certificate's own error, each flight's scatter."""
    rng = np.random.default_rng(seed)
    panels = len(scatter)
    level = rng.normal(0.0, 0.3, (FLIGHTS, 1)) + rng.normal(0.0, 0.02, panels)
    return level + rng.normal(size=(FLIGHTS, panels)) * scatter


def judged(level: np.ndarray, certificate: list[list[str]] | None = None) -> list[list[str]]:
    """The rules that each panel broke, (panel, flight)."""
    same = [["first"] * level.shape[1]] * len(level)
    records = panel_record(level, np.full(level.shape, 0.001), certificate or same)
    return [list(record.chart.broken) for record in records]


@pytest.mark.parametrize("scatter", [[0.007] * 3, [0.01, 0.007, 0.005, 0.005]], ids=["3", "4"])
def test_steady_panels_seldom_alarm(scatter: list[float]) -> None:
    alarms = [sum(map(any, judged(season(seed, scatter)))) for seed in range(20)]
    assert sum(alarms) <= 2


@pytest.mark.parametrize("panel", range(3))
def test_a_panel_that_lost_four_percent_is_named_alone(panel: int) -> None:
    named, blamed = 0, 0
    for seed in range(20):
        level = season(seed, [0.007, 0.006, 0.005])
        level[CHANGE:, panel] += np.log(0.96)
        broken = judged(level)
        named += any(broken[panel][CHANGE : CHANGE + 5])
        blamed += sum(any(rules) for k, rules in enumerate(broken) if k != panel)
    assert named >= 18
    assert blamed <= 2


def test_of_two_panels_nobody_can_tell_which() -> None:
    level = season(1, [0.005, 0.005])
    level[CHANGE:, 0] += np.log(0.96)
    assert all(any(rules[CHANGE : CHANGE + 5]) for rules in judged(level))


def test_a_single_panel_is_not_judged() -> None:
    record = panel_record(season(2, [0.005]), np.zeros((FLIGHTS, 1)), [["first"]] * FLIGHTS)[0]
    assert np.isnan(record.departure).all()
    assert not any(record.chart.broken)


def test_a_new_certificate_is_a_new_panel() -> None:
    level = season(3, [0.005] * 3)
    level[20:, 1] -= 0.05  # measured anew: the same panel, another reflectance
    changed = [["a", "b" if i < 20 else "c", "a"] for i in range(FLIGHTS)]
    assert any(judged(level)[1])
    alarms = []
    for seed in range(10):
        other = season(seed, [0.005] * 3)
        other[20:, 1] -= 0.05
        alarms.append(sum(map(any, judged(other, changed))))
    assert sum(alarms) <= 1
    departure = panel_record(level, np.zeros(level.shape), changed)[1].departure
    assert abs(departure[20:30].mean()) < 0.002
    few = [["a", "b" if i < FLIGHTS - 5 else "c", "a"] for i in range(FLIGHTS)]
    departure = panel_record(level, np.zeros(level.shape), few)[1].departure
    assert np.isnan(departure[-5:]).all(), "known after five flights already"


def test_panels_may_be_missing_here_and_there() -> None:
    level = season(4, [0.005] * 4)
    level[::3, 0] = np.nan
    level[5:9, 2] = np.nan
    before = level.copy()
    assert not any(map(any, judged(level)))
    np.testing.assert_array_equal(level, before)


def test_levels_are_those_of_the_signal_over_the_certificate() -> None:
    reflectance = np.array([[0.05, 0.06, 0.07], [0.5, 0.5, 0.5]])
    gain = np.array([900.0, 1000.0, 1100.0])
    signal = gain * reflectance * [[0.96], [1.0]]
    levels = panel_levels(signal, 0.01 * signal, reflectance, np.ones((2, 3), np.bool_))
    assert levels.level[0] - levels.level[1] == pytest.approx(np.log(0.96))
    np.testing.assert_allclose(levels.uncertainty, 0.01)


def test_bands_count_where_every_panel_can_be_used() -> None:
    reflectance = np.full((2, 3), [[0.05], [0.5]])
    signal = 1000 * reflectance
    signal[1, 0] = 10.0  # saturated, and wrong
    usable = np.array([[True, True, True], [False, True, True]])
    levels = panel_levels(signal, signal / 100, reflectance, usable)
    assert levels.level[0] == pytest.approx(levels.level[1])
    blind = panel_levels(signal, signal / 100, reflectance, np.array([[True] * 3, [False] * 3]))
    assert np.isfinite(blind.level[0])
    assert np.isnan(blind.level[1])
    nobody = panel_levels(signal, signal / 100, reflectance, np.zeros((2, 3), np.bool_))
    assert np.isnan(nobody.level).all()


def test_there_are_enough_flights_in_these_seasons() -> None:
    assert CHANGE > BASELINE
