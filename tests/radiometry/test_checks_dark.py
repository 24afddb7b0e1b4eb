"""Checks of the dark: a pass, a caution or fail, and what is not checked, for each."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import linregress

from pipeline.radiometry.checks import dark, light_leak
from pipeline.radiometry.checks import elements as element_checks
from pipeline.records import BadElements, Check

RNG = np.random.default_rng(5)
FRAMES = 1000
STEADY = 100 + RNG.normal(0, 0.05, FRAMES)
RISING = STEADY + np.linspace(0, 2, FRAMES)
NOISY = 100 + RNG.normal(0, 20.0, 40)
NAN = float("nan")

BANDS = 270
NM = np.linspace(400, 1000, BANDS)
PANEL = 2500 * np.exp(-(((NM - 620) / 150) ** 2))
for centre, width, depth in ((761, 4, 0.5), (940, 20, 0.4), (687, 4, 0.2), (720, 8, 0.15)):
    PANEL *= 1 - depth * np.exp(-(((NM - centre) / width) ** 2))
PROFILE = 100 + 2 * np.linspace(0, 1, BANDS) + RNG.normal(0, 0.1, BANDS)
LEAK = PANEL / PANEL.max()


def elements(share: float) -> BadElements:
    mask = np.zeros((50, 200), bool)
    mask.flat[: round(share * mask.size)] = True
    none = np.zeros_like(mask)
    return BadElements(hot=mask, dead=mask, stuck=none, noisy=none)


def flat(stripe: float, noise: float = 0.002, bands: int = 50) -> np.ndarray:
    level = 1500 * np.linspace(0.9, 1.1, 64) * np.linspace(1, 2, bands)[:, None]
    level = level * (1 + RNG.normal(0, noise, level.shape))
    level[:, 20] *= 1 + stripe
    return level


CASES = [
    (dark.dark_frames({"a": 1000, "b": 100}), "pass", 100),
    (dark.dark_frames({"a": 1000, "b": 99}), "caution", 99),
    (dark.dark_frames({"a": 9}), "fail", 9),
    (dark.dark_frames({}), "not checked", None),
    (dark.dark_steadiness({"a": STEADY}), "pass", None),
    (dark.dark_steadiness({"a": STEADY, "b": RISING}), "caution", 2.0),
    (dark.dark_steadiness({"a": NOISY}), "pass", None),
    (dark.dark_steadiness({"a": STEADY[:9]}), "not checked", None),
    (dark.dark_steadiness(None), "not checked", None),
    (dark.dark_drift({"a": 100.0, "b": 100.9}), "pass", 0.9),
    (dark.dark_drift({"a": 100.0, "b": 98.0}), "caution", 2),
    (dark.dark_drift({"a": 100.0, "b": 101.0, "c": 115.2}), "fail", 15.2),
    (dark.dark_drift({"a": 100.0}), "not checked", None),
    (dark.dark_drift({"a": NAN}), "not checked", None),
    (dark.dark_age([0.0, 600.0], [0.0]), "pass", 10),
    (dark.dark_age([0.0, 3000.0], [0.0, 6000.0]), "caution", 50),
    (dark.dark_age(None, [0.0]), "not checked", None),
    (dark.dark_age([NAN], [0.0]), "not checked", None),
    (dark.dark_temperature([20.0, 26.0], {"a": 21.0, "b": 25.0}), "pass", 1),
    (dark.dark_temperature([20.0], {"a": 21.0, "b": 24.0}), "caution", 4),
    (dark.dark_temperature([NAN], {"a": 21.0}), "not checked", None),
    (light_leak.light_leak({"a": PROFILE}, PANEL), "pass", None),
    (light_leak.light_leak({"a": PROFILE, "b": PROFILE + 2 * LEAK}, PANEL), "caution", None),
    (light_leak.light_leak({"a": PROFILE + 8 * LEAK}, PANEL), "fail", None),
    (light_leak.light_leak({"a": PROFILE}, None), "not checked", None),
    (light_leak.light_leak({"a": PROFILE}, NM), "not checked", None),
    (light_leak.light_leak({"a": PROFILE}, 0 * PANEL), "not checked", None),
    (light_leak.light_leak({"a": PROFILE * NAN}, PANEL), "not checked", None),
    (element_checks.dark_clipped({"a": np.zeros((5, 20), bool)}), "pass", 0),
    (element_checks.dark_clipped({"a": elements(0.05).hot}), "caution", 0.05),
    (element_checks.dark_clipped({"a": elements(0.05).hot, "b": elements(0.3).hot}), "fail", 0.3),
    (element_checks.dark_clipped(None), "not checked", None),
    (element_checks.bad_elements(elements(0.001)), "pass", 0.001),
    (element_checks.bad_elements(elements(0.01)), "caution", 0.01),
    (element_checks.bad_elements(elements(0.03)), "fail", 0.03),
    (element_checks.bad_elements(None), "not checked", None),
    (element_checks.striping(flat(0.0)), "pass", None),
    (element_checks.striping(flat(0.02)), "caution", 0.02),
    (element_checks.striping(flat(-0.02)), "caution", 0.02),
    (element_checks.striping(flat(0.0, noise=0.2)), "pass", None),
    (element_checks.striping(flat(0.0)[:, :5]), "not checked", None),
    (element_checks.striping(flat(0.0) * NAN), "not checked", None),
    (element_checks.striping(None), "not checked", None),
]


@pytest.mark.parametrize(
    ("check", "verdict", "value"),
    CASES,
    ids=[f"{c.check}-{i}" for i, (c, _, _) in enumerate(CASES)],
)
def test_verdict_and_value(check: Check, verdict: str, value: float | None) -> None:
    assert check.verdict == verdict, check.says
    if value is not None:
        assert check.value == pytest.approx(value, rel=0.1)
    assert (check.value is None) == (verdict == "not checked")
    assert check.says.endswith(".")
    assert (check.do == "") == (verdict == "pass") or verdict == "not checked"


def test_drift_names_the_captures_and_the_direction() -> None:
    check = dark.dark_drift({"cap-0": 100.0, "cap-1": 115.2})
    assert check.subject == "cap-1"
    assert "+15.20 counts from cap-0 to cap-1" in check.says


def test_one_capture_states_what_its_slope_predicts() -> None:
    given = {"slope_error_count_per_s": 0.001, "minutes_to_farthest_line": 10.0}
    small = dark.dark_drift({"a": 100.0}, slope_count_per_s=0.001, **given)
    assert small.verdict == "not checked"
    assert "+0.60 counts (standard error 0.60)" in small.says
    unsure = dark.dark_drift({"a": 100.0}, slope_count_per_s=0.004, **given)
    assert unsure.verdict == "not checked"
    large = dark.dark_drift({"a": 100.0}, slope_count_per_s=-0.02, **given)
    assert (large.verdict, large.value) == ("caution", pytest.approx(12.0))
    assert "drifts" in large.says


def test_slope_passes_over_stray_frames() -> None:
    level = RISING.copy()
    level[[3, 400, 990]] += 50
    slope, error = dark.level_slope(level)
    assert slope * (FRAMES - 1) == pytest.approx(2.0, abs=0.05)
    assert 0 < error * (FRAMES - 1) < 0.02


def test_slow_noise_is_no_drift_though_a_plain_standard_error_would_call_it_so() -> None:
    rng = np.random.default_rng(3)
    plain, ours = 0, 0
    for _ in range(100):
        level = lfilter([1], [1, -0.9], rng.normal(0, 0.2, FRAMES))
        fitted = linregress(np.arange(FRAMES), level)
        plain += abs(fitted.slope) > 5 * fitted.stderr
        slope, error = dark.level_slope(level)
        ours += abs(slope) > 5 * error
    assert plain > 10
    assert ours == 0


def test_a_leak_is_measured_and_its_error_honest() -> None:
    rng = np.random.default_rng(8)
    found = [
        light_leak.leak_amplitude(PROFILE * 0 + 100 + rng.normal(0, 0.3, BANDS) + 2 * LEAK, PANEL)
        for _ in range(200)
    ]
    amplitude, error = np.array(found).T
    assert amplitude.mean() == pytest.approx(2.0, abs=0.05)
    assert 0.8 < error.mean() / amplitude.std() < 1.6


def test_a_smooth_dark_profile_of_its_own_is_no_leak() -> None:
    x = np.linspace(0, 1, BANDS)
    for own in (3 * x, 5 * (x - 0.5) ** 2, -4 * (x - 0.6) ** 2):
        assert light_leak.light_leak({"a": PROFILE + own}, PANEL).verdict == "pass"


HALF = np.where(np.arange(64) < 32, 1.0, 0.0)
CAPTURE = PROFILE[:, None] + RNG.normal(0, 0.3, (BANDS, 64))


@pytest.mark.parametrize("light", [LEAK, np.ones(BANDS)], ids=["spectrum", "alike in all bands"])
@pytest.mark.parametrize("lit", [0, 1])
def test_a_cap_half_on_is_light_whatever_its_spectrum(light: np.ndarray, lit: int) -> None:
    darks = [CAPTURE, CAPTURE + RNG.normal(0, 0.05, CAPTURE.shape) + 0.3]
    darks[lit] = darks[lit] + 30 * light[:, None] * HALF
    check = light_leak.light_leak(dict(zip("ab", darks, strict=True)), PANEL)
    assert check.verdict == "fail"
    assert check.subject == "ab"[lit]
    assert check.value == pytest.approx(30, abs=2)
    assert "samples" in check.says


def test_a_single_capture_half_lit_shows_the_spectrum_there() -> None:
    check = light_leak.light_leak({"a": CAPTURE + 8 * LEAK[:, None] * HALF}, PANEL)
    assert check.verdict == "fail"
    assert "samples 0 to" in check.says or "samples 16 to 32" in check.says


def test_warmth_is_no_light() -> None:
    """Elements with more dark current rise more: 15 counts, a tenth of it with place."""
    warm = CAPTURE + 15 * (1 + 0.1 * np.linspace(-1, 1, 64)) + RNG.normal(0, 0.05, CAPTURE.shape)
    check = light_leak.light_leak({"a": CAPTURE, "b": warm}, PANEL)
    assert check.verdict == "pass", check.says


def test_a_stripe_is_found_beside_a_bad_element() -> None:
    level = flat(0.02)
    level[:, 21] = np.nan
    check = element_checks.striping(level, subject="grey-48")
    assert check.verdict == "caution"
    assert check.subject == "grey-48"
    assert check.says.startswith("Sample 20 departs by +")


def test_inputs_are_unchanged() -> None:
    level, profile = flat(0.01), PROFILE.copy()
    before = level.copy()
    element_checks.striping(level)
    light_leak.light_leak({"a": profile}, PANEL)
    np.testing.assert_array_equal(level, before)
    np.testing.assert_array_equal(profile, PROFILE)
