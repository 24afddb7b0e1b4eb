"""What temperature and exposure do to the dark is told from what the camera does."""

import numpy as np
import pytest

from pipeline.radiometry.control_charts import control_chart
from pipeline.radiometry.dark_current import dark_current_effect

FIRST = range(10)
FLIGHTS = 40


def season(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Temperatures from spring to autumn [deg C] and the scatter of a level [count]."""
    rng = np.random.default_rng(seed)
    slow = 22.0 + 8.0 * np.sin(2 * np.pi * np.arange(FLIGHTS) / FLIGHTS)
    return slow + rng.normal(size=FLIGHTS), 0.3 * rng.normal(size=FLIGHTS)


@pytest.mark.parametrize(
    "doubling_k", [6.0, 7.0, 8.0, 200.0], ids=["6 K", "7 K", "8 K", "straight"]
)
def test_a_season_of_weather_is_no_alarm_and_a_step_is(doubling_k: float) -> None:
    false, found = 0, 0
    for seed in range(30):
        warm, scatter = season(seed)
        slope = 0.5 * doubling_k / np.log(2)  # half a count a kelvin
        level = 60.0 + slope * 2 ** ((warm - 22.0) / doubling_k) + scatter
        for step in (0.0, 5.0):
            moved = level + step * (np.arange(FLIGHTS) >= 24)
            effect = dark_current_effect(moved, warm, np.full(FLIGHTS, 4.0), first=FIRST, least=0.1)
            assert effect is not None
            chart = control_chart(moved - effect.level, effect.uncertainty, least=0.1)
            false += len(chart.outside) if not step else 0
            found += any(chart.broken[24:29]) if step else 0
    assert false <= 2
    assert found >= 29


def test_without_the_law_the_weather_alarms() -> None:
    warm, scatter = season(1)
    assert control_chart(60.0 + 5.0 * 2 ** ((warm - 22.0) / 7.0) + scatter).outside


def test_the_law_is_found_where_the_first_flights_show_it() -> None:
    warm = np.linspace(15.0, 35.0, FLIGHTS)
    order = np.random.default_rng(2).permutation(FLIGHTS)
    warm = warm[order]
    level = 60.0 + 8.0 * 2 ** ((warm - 25.0) / 7.0)
    before = level.copy()
    effect = dark_current_effect(level, warm, np.full(FLIGHTS, np.nan), first=FIRST, least=0.001)
    np.testing.assert_array_equal(level, before)
    assert effect is not None
    assert effect.temperature_c == pytest.approx(warm[:10].mean())
    left = level - effect.level
    np.testing.assert_allclose(left, left[:10].mean(), atol=0.02)


def test_a_longer_exposure_gathers_more_dark_current() -> None:
    exposure = np.where(np.arange(FLIGHTS) % 2, 4.0, 8.0)
    level = 60.0 + 1.5 * exposure
    effect = dark_current_effect(level, np.full(FLIGHTS, 20.0), exposure, first=FIRST, least=0.001)
    assert effect is not None
    assert effect.exposure_ms == pytest.approx(6.0)
    np.testing.assert_allclose(level - effect.level, 69.0, atol=0.01)


def test_far_from_the_first_flights_less_is_known() -> None:
    warm, scatter = season(3)
    warm[:10] = 20.0 + np.linspace(-1.0, 1.0, 10)
    warm[30] = 35.0
    level = 60.0 + 5.0 * 2 ** ((warm - 22.0) / 7.0) + scatter
    effect = dark_current_effect(level, warm, np.full(FLIGHTS, 4.0), first=FIRST, least=0.1)
    assert effect is not None
    assert effect.uncertainty[30] > 5 * effect.uncertainty[:10].max()


@pytest.mark.parametrize("warm", [np.full(FLIGHTS, 20.0), np.full(FLIGHTS, np.nan)])
def test_first_flights_that_are_all_alike_show_no_law(warm: np.ndarray) -> None:
    level = np.full(FLIGHTS, 60.0)
    assert dark_current_effect(level, warm, np.full(FLIGHTS, 4.0), first=FIRST, least=0.1) is None


def test_a_flight_without_a_temperature_is_as_the_first_with_their_spread() -> None:
    warm, scatter = season(4)
    level = 60.0 + 5.0 * 2 ** ((warm - 22.0) / 7.0) + scatter
    warm[30] = np.nan
    effect = dark_current_effect(level, warm, np.full(FLIGHTS, 4.0), first=FIRST, least=0.1)
    assert effect is not None
    assert effect.level[30] == 0
    assert effect.uncertainty[30] == pytest.approx(np.std(effect.level[:10]), rel=1e-9)
