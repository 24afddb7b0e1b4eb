"""The parts of the measurement equation agree with each other whatever they are given."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.radiometry import equation
from pipeline.radiometry.equation import TERMS, FitVariance, InputQuantities

BANDS, LINES, SAMPLES = 3, 4, 5
Case = tuple[Any, Any, InputQuantities]


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """Counts, dark, and quantities in the order (band, line, sample), over what cameras have and
    beyond; the ratio of a line alone or of a band and a line."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    by_band = draw(st.booleans())

    def element(low: float, high: float) -> Any:
        return rng.uniform(low, high, (BANDS, 1, SAMPLES))

    def light(low: float, high: float) -> Any:
        return rng.uniform(low, high, (BANDS, LINES, 1) if by_band else (LINES, 1))

    def of_fit() -> FitVariance:
        u_gain, u_offset = (rng.uniform(0, top, (BANDS, 1, 1)) for top in (1e-5, 1e-2))
        return FitVariance(u_gain**2, u_offset**2, rng.uniform(-1, 1) * u_gain * u_offset)

    dark = element(80, 120)
    response = element(0.5, 1.5)
    counts = rng.uniform(60, 4000, (BANDS, LINES, SAMPLES))
    certificate, scatter = of_fit(), of_fit()
    birge2 = draw(st.floats(1, 30))
    return counts, dark, InputQuantities(
        signal=equation.signal_from_counts(counts, dark, response),
        dark_noise=element(0, 6),
        dark_uncertainty=element(0, 2),
        response=response,
        response_uncertainty=element(0, 0.1),
        electrons_per_count=draw(st.one_of(st.floats(0.1, 50), st.just(np.nan))),
        ratio=light(0.2, 1.5),
        ratio_uncertainty=light(0, 0.1),
        gain=rng.uniform(1e-5, 1e-3, (BANDS, 1, 1)),
        fit=FitVariance(*((c + s) * birge2 for c, s in zip(certificate, scatter, strict=True))),
        certificate=certificate,
        scatter=scatter,
    )  # fmt: skip


def folded(x: InputQuantities, kind: type[np.floating[Any]] = np.float64) -> Any:
    """u^2(R) by way of the coefficients, which are cut to a type as the kernel's tables are."""

    def cut(parts: Any) -> Any:
        return type(parts)(*(np.asarray(v, kind) for v in parts))

    element = cut(
        equation.fold_element(
            x.dark_noise, x.dark_uncertainty, x.response, x.response_uncertainty,
            x.electrons_per_count,
        )
    )  # fmt: skip
    ratio = cut(equation.fold_ratio(x.ratio, x.ratio_uncertainty))
    fit = equation.fold_fit(np.asarray(x.gain, kind), cut(x.fit), ratio)
    return equation.folded_variance(x.signal.astype(kind), element, fit)


@settings(max_examples=200, deadline=None)
@given(cases())
def test_the_folded_variance_is_the_sum_of_the_terms(case: Case) -> None:
    x = case[2]
    terms = equation.variance_terms(x)
    assert all((variance >= 0).all() for variance in terms.values())
    total = equation.combined(terms.values())
    assert total.shape == (BANDS, LINES, SAMPLES)
    np.testing.assert_allclose(folded(x), total, rtol=1e-9)
    # The kernel's float32; what cancels in the fit's polynomial costs digits of its largest part.
    at_panels = np.abs(x.panel_signal)
    largest = at_panels**2 * x.fit.gain + x.fit.offset + 2 * at_panels * np.abs(x.fit.covariance)
    short = folded(x, np.float32)
    assert short.dtype == np.float32
    assert (np.abs(short - total) <= 2e-6 * (total + largest)).all()


@settings(max_examples=60, deadline=None)
@given(cases())
def test_the_folded_noise_and_signal_are_the_equations(case: Case) -> None:
    counts, dark, x = case
    element = equation.fold_element(
        x.dark_noise, x.dark_uncertainty, x.response, x.response_uncertainty, x.electrons_per_count
    )
    np.testing.assert_allclose(equation.folded_signal(counts, dark, element), x.signal, rtol=1e-12)
    noise = equation.noise_variance(x.signal, x.dark_noise, x.response, x.electrons_per_count)
    np.testing.assert_allclose(equation.folded_noise(x.signal, element), noise, rtol=1e-12)


@settings(max_examples=60, deadline=None)
@given(cases())
def test_there_and_back_again(case: Case) -> None:
    counts, dark, x = case
    offset = 0.01
    value = equation.reflectance_from_signal(x.signal, x.gain, offset, x.ratio)
    signal = equation.signal_from_reflectance(value, x.gain, offset, x.ratio)
    np.testing.assert_allclose(signal, x.signal, rtol=1e-9, atol=1e-7)
    back = equation.counts_from_signal(signal, dark, x.response)
    np.testing.assert_allclose(back, counts, rtol=1e-9)


#: By term: what its error moves, and the standard uncertainty of that.
MOVES: dict[str, Callable[[InputQuantities], tuple[str, Any]]] = {
    "read_noise": lambda x: ("counts", x.dark_noise),
    "dark": lambda x: ("dark", x.dark_uncertainty),
    "relative_response": lambda x: ("response", x.response_uncertainty),
    "illumination": lambda x: ("ratio", x.ratio_uncertainty),
}


@pytest.mark.parametrize("term", MOVES)
@settings(max_examples=30, deadline=None)
@given(cases())
def test_a_terms_variance_is_what_the_forward_equation_makes_of_its_error(
    term: str, case: Case
) -> None:
    """JCGM 100:2008, 5.1.3: u_i(y) = |df/dx_i| u(x_i), the derivative by central differences."""
    counts, dark, x = case
    what, u = MOVES[term](x)

    def forward(step: float) -> Any:
        at = {"counts": counts, "dark": dark, "response": x.response, "ratio": x.ratio}
        at[what] = at[what] + step
        signal = equation.signal_from_counts(at["counts"], at["dark"], at["response"])
        return equation.reflectance_from_signal(signal, x.gain, 0.01, at["ratio"])

    step = 1e-6
    derivative = (forward(step) - forward(-step)) / (2 * step)
    wanted = np.broadcast_to((derivative * u) ** 2, counts.shape)
    variance = np.broadcast_to(TERMS[term].variance(x), counts.shape)
    np.testing.assert_allclose(variance, wanted, rtol=1e-3, atol=1e-14)


@settings(max_examples=60, deadline=None)
@given(cases())
def test_a_ratio_that_is_the_same_in_every_band_is_a_ratio_of_the_line(case: Case) -> None:
    x = case[2]
    of_line = replace(
        x,
        ratio=np.broadcast_to(x.ratio, (BANDS, LINES, 1))[0],
        ratio_uncertainty=np.broadcast_to(x.ratio_uncertainty, (BANDS, LINES, 1))[0],
    )
    by_band = replace(
        of_line,
        ratio=np.repeat(of_line.ratio[None], BANDS, axis=0),
        ratio_uncertainty=np.repeat(of_line.ratio_uncertainty[None], BANDS, axis=0),
    )
    np.testing.assert_array_equal(folded(of_line), folded(by_band))
    for name in TERMS:
        one, other = (np.broadcast_to(TERMS[name].variance(y), (BANDS, LINES, SAMPLES))
                      for y in (of_line, by_band))  # fmt: skip
        np.testing.assert_array_equal(one, other, err_msg=name)
