"""One light curve through all passes of all panels, whatever panel was passed when."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import CalibrationError
from pipeline.radiometry.illumination import (
    curve_from_passes,
    illumination_at,
    passes_of,
    require_repeated,
)

BANDS = 30
RHO = {"a": 0.05, "b": 0.24, "c": 0.50}
#: Readings of each flight: panel and time [s].
FLIGHTS = {
    "together": [(p, t + i) for t in (0.0, 600.0) for i, p in enumerate("abc")],
    "staggered": [("b", 0.0), ("c", 300.0), ("b", 600.0), ("c", 900.0)],
    "each once": [("b", 0.0), ("c", 600.0)],
}


@pytest.fixture
def rng():
    return np.random.default_rng(7)


def read(when, light, rng, *, noise=0.004, cert=0.0, by_band=None):
    """Passes over panels under `light(t)`; certificates off by `cert`, spectra by `by_band`."""
    factor = {p: 1 + cert * rng.standard_normal() for p in RHO}
    spectrum = np.zeros(BANDS) if by_band is None else by_band
    signal = []
    for panel, t in when:
        level = 2000 * RHO[panel] * factor[panel] * (1 + (light(t) - 1) * (1 + spectrum))
        shared, own = rng.standard_normal(), rng.standard_normal(BANDS)
        signal.append(level * (1 + noise * np.sqrt(0.5) * (shared + own)))
    signal = np.array(signal)
    names, times = [p for p, _ in when], np.array([t for _, t in when])
    return passes_of(names, times, signal, noise * signal)


def certified(passes, u=0.01):
    rho = np.array([np.full(BANDS, RHO[p]) for p in passes.panel])
    return rho, u * rho


def falling(t):
    return 1 - 0.12 * np.asarray(t) / 600


@pytest.mark.parametrize("name", FLIGHTS)
def test_a_fall_is_followed_whatever_panel_was_passed_when(name, rng):
    passes = read(FLIGHTS[name], falling, rng, noise=1e-4)
    curve = curve_from_passes(passes, *certified(passes))
    at = np.linspace(passes.time_s[0], passes.time_s[-1], 40)
    light = illumination_at(curve, at)
    reference = np.exp(np.log(falling(passes.time_s)).mean())
    np.testing.assert_allclose(light.ratio, falling(at) / reference, rtol=3e-3)
    assert not light.extrapolated.any()
    assert light.uncertainty.max() < 0.012


def test_each_panel_relative_to_its_own_mean_is_what_it_is_not(rng):
    """The first panel passed early, the other late: their own means hide half of the fall."""
    when = [("b", 0.0), ("b", 200.0), ("c", 400.0), ("c", 600.0)]
    passes = read(when, falling, rng, noise=1e-4)
    light = illumination_at(curve_from_passes(passes), np.array([0.0, 600.0]))
    assert light.ratio[1] / light.ratio[0] == pytest.approx(0.88, abs=0.01)
    assert np.abs(light.ratio[1] / light.ratio[0] - 0.88) < 2 * light.uncertainty.max()


def test_beyond_the_passes_the_trend_goes_on_at_least_as_uncertain_as_the_change(rng):
    passes = read(FLIGHTS["together"], falling, rng, noise=1e-4)
    light = illumination_at(curve_from_passes(passes), np.array([-300.0, 0, 602, 902]))
    assert light.extrapolated.tolist() == [True, False, False, True]
    change = light.ratio[1] - light.ratio[2]
    np.testing.assert_allclose(light.ratio[0] - light.ratio[1], change / 2, rtol=0.1)
    assert light.uncertainty[0] >= 0.49 * change
    assert light.uncertainty[3] >= 0.49 * change


def test_passes_too_near_each_other_tell_no_trend(rng):
    passes = read([("b", 0.0), ("b", 4.0)], falling, rng)
    light = illumination_at(curve_from_passes(passes), np.array([300.0]))
    assert light.ratio[0] == pytest.approx(1, abs=0.06)
    assert 0.02 < light.uncertainty[0] < 0.15  # half a percent a minute or more


def test_equal_windows_are_one_reading(rng):
    passes = read(FLIGHTS["together"], falling, rng)
    logs = np.exp(passes.log_signal)
    twice = passes_of(
        passes.panel * 2,
        np.tile(passes.time_s, 2),
        np.tile(logs, (2, 1)),
        np.tile(logs * passes.relative_uncertainty, (2, 1)),
    )
    assert twice.panel == passes.panel
    np.testing.assert_allclose(twice.time_s, passes.time_s)


def test_a_change_of_spectrum_is_followed_by_band(rng):
    spectrum = np.linspace(0.5, -0.5, BANDS)
    passes = read(FLIGHTS["together"], falling, rng, noise=0.002, by_band=spectrum)
    light = illumination_at(curve_from_passes(passes), passes.time_s[[0, -1]])
    assert light.ratio.shape == (BANDS, 2)
    true = 1 + (falling(602.0) - 1) * (1 + spectrum)
    np.testing.assert_allclose(light.ratio[:, 1] / light.ratio[:, 0], true, atol=0.006)


def test_light_of_one_spectrum_is_one_curve(rng):
    passes = read(FLIGHTS["together"], falling, rng)
    assert curve_from_passes(passes).bands == 1


def test_bands_that_saturate_on_one_panel_do_not_count_for_it(rng):
    passes = read(FLIGHTS["together"], falling, rng, noise=1e-4)
    signal = np.exp(passes.log_signal)
    bright = np.array(passes.panel) == "c"
    signal[bright, :12] = np.nan
    signal[2, 12:15] = np.nan  # saturated in its first pass alone
    cut = passes_of(passes.panel, passes.time_s, signal, 1e-4 * signal)
    light = illumination_at(curve_from_passes(cut), passes.time_s[[0, -1]])
    assert light.ratio[1] / light.ratio[0] == pytest.approx(falling(602.0), rel=2e-3)


def wanders(rng):
    steps = np.cumsum(rng.normal(0, 0.003 / np.sqrt(60), 1400))
    return lambda t: 1 + np.interp(t, np.arange(1400) - 200, steps)


@pytest.mark.parametrize("name", FLIGHTS)
def test_the_uncertainty_holds_within_and_beyond_the_passes(name, rng):
    z = []
    for _ in range(40):
        light = wanders(rng)
        passes = read(FLIGHTS[name], light, rng, cert=0.01)
        at = np.linspace(-100, 1000, 30)
        found = illumination_at(curve_from_passes(passes, *certified(passes)), at)
        reference = np.exp(np.log(light(passes.time_s)).mean())
        z.append(np.ravel((found.ratio - light(at) / reference) / found.uncertainty))
    inside = np.mean(np.abs(np.concatenate(z)) <= 2)
    assert 0.91 <= inside <= 0.995


def test_a_single_pass_is_a_level_of_growing_uncertainty(rng):
    passes = read([("b", 100.0)], falling, rng)
    light = illumination_at(curve_from_passes(passes), np.array([100.0, 160, 400, np.nan]))
    np.testing.assert_allclose(light.ratio, 1, atol=1e-9)
    assert light.uncertainty[0] == pytest.approx(0, abs=1e-9)
    assert light.uncertainty[1] == pytest.approx(np.hypot(0.005, 0.003), rel=0.05)
    assert light.uncertainty[2] > 4 * light.uncertainty[1]
    assert light.extrapolated.tolist() == [False, True, True, True]


LINES = np.linspace(0, 900, 100)


def test_passes_around_the_strips_are_taken(rng):
    require_repeated(read(FLIGHTS["together"], falling, rng), LINES)
    require_repeated(read(FLIGHTS["each once"], falling, rng), LINES)
    require_repeated(read(FLIGHTS["together"], falling, rng), np.full(3, np.nan))


@pytest.mark.parametrize(
    ("when", "says"),
    [
        ([("a", 0.0), ("b", 2.0)], "each panel was passed once, all within 2 s"),
        ([("a", -60.0), ("a", -2.0)], "every line lies before the first or after the last"),
    ],
)
def test_passes_that_tell_nothing_of_the_flight_are_refused(when, says, rng):
    with pytest.raises(CalibrationError, match=says):
        require_repeated(read(when, falling, rng), LINES)


@pytest.mark.parametrize(("time", "level"), [(np.nan, 1.0), (0.0, 0.0), (0.0, np.nan)])
def test_passes_that_cannot_serve_are_refused(time, level):
    passes = passes_of(["a"], np.array([time]), np.full((1, 4), level), np.full((1, 4), 0.01))
    with pytest.raises(CalibrationError, match="no pass"):
        curve_from_passes(passes)


def test_does_not_change_input(rng):
    signal = np.full((2, 5), 100.0) + rng.normal(size=(2, 5))
    u, time = np.full((2, 5), 0.5), np.array([10.0, 0.0])
    kept = signal.copy(), u.copy(), time.copy()
    curve_from_passes(passes_of(["a", "a"], time, signal, u), signal / 1000, u / 1000)
    for now, before in zip((signal, u, time), kept, strict=True):
        np.testing.assert_array_equal(now, before)
