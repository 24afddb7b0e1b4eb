"""The measurement equation: by hand, against `uncertainties`, and its parts against each other."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from uncertainties import ufloat

from pipeline.radiometry import equation
from pipeline.radiometry.equation import TERMS, FitVariance, InputQuantities

NOTHING = FitVariance(np.zeros(1), np.zeros(1), np.zeros(1))


def plain(**values: Any) -> InputQuantities:
    """One sample without any uncertainty but what is given; S = 900, g = 1/2000, q = 1."""
    known: dict[str, Any] = {
        "signal": np.array([900.0]), "dark_noise": 0.0, "dark_uncertainty": 0.0, "response": 1.0,
        "response_uncertainty": 0.0, "electrons_per_count": np.nan, "ratio": 1.0,
        "ratio_uncertainty": 0.0, "gain": 1 / 2000, "fit": NOTHING, "certificate": NOTHING,
        "scatter": NOTHING,
    }  # fmt: skip
    return InputQuantities(**(known | values))


def part(gain: float, offset: float, covariance: float) -> FitVariance:
    return FitVariance(*(np.array([v]) for v in (gain, offset, covariance)))


def test_forward_and_back_by_hand() -> None:
    dark = equation.line_dark(np.array([100.0]), 0.5, 40.0)
    signal = equation.signal_from_counts(np.array([1120.0]), dark, 1.25)
    assert (dark, signal) == (120, 800)
    assert equation.counts_from_signal(signal, dark, 1.25) == 1120
    # 800/2000 = 0.4; half the light makes 0.8 of it; the offset is no signal.
    assert equation.reflectance_from_signal(signal, 1 / 2000, -0.02) == pytest.approx(0.38)
    value = equation.reflectance_from_signal(signal, 1 / 2000, -0.02, 0.5)
    assert value == pytest.approx(0.78)
    assert equation.signal_from_reflectance(value, 1 / 2000, -0.02, 0.5) == pytest.approx(800)


def test_one_panel_known_answer() -> None:
    # CHECKS: rho 0.5, P 2000, D 100, S 900 (raw counts): R 0.2105263; derived, no source.
    panel, scene = (
        equation.signal_from_counts(np.array([counts]), 100.0, 1.0) for counts in (2000.0, 900.0)
    )
    assert equation.reflectance_from_signal(scene, 0.5 / panel, 0.0) == pytest.approx(0.2105263)


@pytest.mark.parametrize(
    ("term", "known", "wanted"),
    [
        # 4 counts over a response of 0.8, at 1/2000 a count: 0.0025
        ("read_noise", {"dark_noise": 4.0, "response": 0.8}, 0.0025),
        # 900 x 0.8 counts above the dark over 5: 12 counts; over 0.8: 15
        ("shot_noise", {"electrons_per_count": 5.0, "response": 0.8}, 0.0075),
        # half the light: a count is worth twice as much
        ("dark", {"dark_uncertainty": 2.0, "ratio": 0.5}, 0.002),
        # 1 % of 0.45
        ("relative_response", {"response_uncertainty": 0.01}, 0.0045),
        # S/q = 1800: 1800^2 x 1e-12 + 1e-6 - 2 x 1800 x 9e-10 = 1e-6
        ("panel_certificate", {"certificate": part(1e-12, 1e-6, -9e-10), "ratio": 0.5}, 1e-3),
        ("panel_scatter", {"scatter": part(0, 4e-6, 0)}, 2e-3),
        # 10e-6 - 4e-6 - 2e-6
        ("fit", {"fit": part(0, 10e-6, 0), "scatter": part(0, 4e-6, 0),
                 "certificate": part(0, 2e-6, 0)}, 2e-3),
        # 2 % of 0.9
        ("illumination", {"ratio": 0.5, "ratio_uncertainty": 0.01}, 0.018),
    ],
)  # fmt: skip
def test_each_term_by_hand(term: str, known: dict[str, Any], wanted: float) -> None:
    variance = TERMS[term].variance(plain(**known))
    assert np.sqrt(variance) == pytest.approx(wanted, rel=1e-12)


def test_the_terms_are_a_closed_list_in_its_order() -> None:
    assert list(TERMS) == [
        "read_noise", "shot_noise", "dark", "relative_response", "panel_certificate",
        "panel_scatter", "fit", "illumination",
    ]  # fmt: skip
    assert list(equation.variance_terms(plain())) == list(TERMS)
    assert [name for name, t in TERMS.items() if t.kind == "random"] == ["read_noise", "shot_noise"]


def test_what_is_below_the_dark_or_unknown_has_no_shot_noise() -> None:
    signal = np.array([-50.0, 1000.0, np.nan])
    shot = equation.shot_variance(signal, 0.5, 5.0)
    np.testing.assert_allclose(shot, [0, 100, np.nan])
    for unknown in (np.nan, 0.0):
        np.testing.assert_array_equal(equation.shot_variance(signal[:2], 0.5, unknown), [0, 0])


def test_noise_of_a_signal_is_read_and_shot_noise_through_the_response() -> None:
    variance = equation.noise_variance(np.array([1000.0, -50, np.nan]), 3.0, 0.5, 5.0)
    np.testing.assert_allclose(variance, [(9 + 100) / 0.25, 36, np.nan])


def test_the_line_of_two_panels_against_uncertainties() -> None:
    """Outside source: the `uncertainties` package, linear propagation with covariance."""
    slope, start = ufloat(2e-4, 3e-6), ufloat(-0.01, 1e-3)
    gain, offset = slope + 1e-3 * start, start  # correlated
    signal = 1300.0
    variance = FitVariance(
        np.array([gain.std_dev**2]), np.array([offset.std_dev**2]), np.array([1e-3 * 1e-3**2])
    )
    wanted = (offset + gain * signal).std_dev
    assert np.sqrt(variance.at(np.array([signal]))) == pytest.approx(wanted, rel=1e-12)


def test_does_not_change_input() -> None:
    rng = np.random.default_rng(2)
    arrays = [rng.uniform(0.5, 2, (3, 4)) for _ in range(17)]
    kept = [a.copy() for a in arrays]
    x = InputQuantities(
        *arrays[:5], 5.0, *arrays[5:8], FitVariance(*arrays[8:11]), FitVariance(*arrays[11:14]),
        FitVariance(*arrays[14:17]),
    )  # fmt: skip
    equation.combined(equation.variance_terms(x).values())
    element = equation.fold_element(*arrays[1:5], 5.0)
    fit = equation.fold_fit(arrays[7], x.fit, equation.fold_ratio(*arrays[5:7]))
    equation.folded_variance(equation.folded_signal(arrays[0], arrays[1], element), element, fit)
    for now, then in zip(arrays, kept, strict=True):
        np.testing.assert_array_equal(now, then)


def test_every_quantity_matters() -> None:
    """No quantity of the equation is left out of its variance."""
    x = plain(
        dark_noise=3.0, dark_uncertainty=0.5, response=0.9, response_uncertainty=0.01,
        electrons_per_count=5.0, ratio=0.8, ratio_uncertainty=0.02, fit=part(1e-11, 1e-5, 1e-9),
        certificate=part(2e-12, 2e-6, 1e-10), scatter=part(1e-12, 1e-6, 1e-10),
    )  # fmt: skip
    terms = equation.variance_terms(x)
    for field in fields(x):
        value = getattr(x, field.name)
        more = FitVariance(*(1.1 * v for v in value)) if isinstance(value, tuple) else 1.1 * value
        moved = equation.variance_terms(replace(x, **{field.name: more}))
        assert any(moved[name] != terms[name] for name in TERMS), field.name


def test_folded_noise_is_the_noise_of_a_signal() -> None:
    signal = np.array([-20.0, 0.0, 300.0, 2000.0])
    response = np.array([0.8, 0.9, 1.1, 1.2])
    element = equation.fold_element(np.full(4, 1.6), np.zeros(4), response, np.zeros(4), 5.2)
    wanted = equation.noise_variance(signal, 1.6, response, 5.2)
    np.testing.assert_allclose(equation.folded_noise(signal, element), wanted, rtol=1e-12)
