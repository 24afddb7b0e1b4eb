"""Checks of panels and fit: a pass, a caution or fail, and what is not checked, for each."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from pipeline.radiometry.checks import certificates, fit, panels
from pipeline.radiometry.limits import LIMITS, with_overrides
from pipeline.records import Certificate, Check

NAN = float("nan")
ONE = np.ones(20)
RHO = {"dark": 0.05 * ONE, "grey": 0.22 * ONE, "white": 0.5 * ONE}
GAIN, OFFSET = 2.5e-4, 0.01
SIGNAL = {name: (rho - OFFSET) / GAIN for name, rho in RHO.items()}
TWO = {name: SIGNAL[name] for name in ("dark", "white")}
SWAPPED = {"dark": SIGNAL["white"], "grey": SIGNAL["grey"], "white": SIGNAL["dark"]}
DIRTY = {**SIGNAL, "grey": 1.1 * SIGNAL["grey"]}
FLOWN = dt.date(2026, 6, 12)

GREY_NM = np.linspace(400, 1000, 61)
GREY = Certificate(GREY_NM, np.linspace(0.20, 0.25, 61), np.full(61, 0.005))
SLIPPED = replace(GREY, reflectance=np.where(GREY_NM < 700, 0.2, 0.5))
CERTAIN = replace(GREY, expanded_uncertainty=np.where(GREY_NM > 900, 0.0, 0.005))


def bent(square: float) -> dict[str, np.ndarray]:
    """Signals of a camera whose response bends, the ends kept."""
    low, high = SIGNAL["dark"], SIGNAL["white"]
    return {n: s - square * (s - low) * (high - s) for n, s in SIGNAL.items()}


CASES = [
    (panels.panel_samples({"a": 400, "b": 100}), "pass", 100),
    (panels.panel_samples({"a": 400, "b": 60}), "caution", 60),
    (panels.panel_samples({"a": 20}), "fail", 20),
    (panels.panel_samples({}), "not checked", None),
    (panels.panel_uniformity({"a": 0.01 * ONE, "b": [0.5, 0.02, 0.02, NAN]}), "pass", 0.02),
    (panels.panel_uniformity({"a": 0.01 * ONE, "b": 0.05 * ONE}), "caution", 0.05),
    (panels.panel_uniformity({"a": 0.09 * ONE}), "fail", 0.09),
    (panels.panel_uniformity({"a": NAN * ONE}), "not checked", None),
    (panels.panel_order(SIGNAL, RHO), "pass", 0),
    (panels.panel_order(SWAPPED, RHO), "fail", 3),
    (panels.panel_order({"dark": SIGNAL["grey"], "grey": SIGNAL["dark"]}, RHO), "fail", 2),
    (panels.panel_order({"dark": SIGNAL["dark"]}, RHO), "not checked", None),
    (panels.panel_ratio(SIGNAL, RHO, OFFSET * ONE), "pass", 0),
    (panels.panel_ratio(DIRTY, RHO, OFFSET * ONE), "caution", 0.1),
    (panels.panel_ratio(TWO, RHO), "caution", None),
    (panels.panel_ratio(TWO, RHO, OFFSET * ONE), "not checked", None),
    (panels.panel_ratio({"a": ONE}, {"a": ONE}), "not checked", None),
    (panels.panel_span(0.02, 0.03), "pass", 0.05),
    (panels.panel_span(0.02, 0.3), "caution", 0.32),
    (panels.panel_span(None, None), "not checked", None),
    (panels.panel_repeat({"a": [100 * ONE, 101 * ONE], "b": [ONE]}), "pass", 0.01),
    (panels.panel_repeat({"a": [100 * ONE, 99 * ONE, 103 * ONE]}), "caution", 0.04),
    (panels.panel_repeat({"a": [ONE], "b": [ONE]}), "not checked", None),
    (panels.panel_repeat({"a": [0 * ONE, ONE]}), "not checked", None),
    (panels.panel_age([0.0, 300.0], [0.0], cosine_change=0.005), "pass", 5),
    (panels.panel_age([0.0, 300.0], [0.0], cosine_change=-0.015), "caution", 5),
    (panels.panel_age([0.0, 900.0], [0.0]), "caution", 15),
    (panels.panel_age([0.0], None), "not checked", None),
    (certificates.certificate_cover({"a": [True] * 5})[0], "pass", 0),
    (certificates.certificate_cover({"a": [True, False, True]})[0], "caution", 1),
    (certificates.certificate_cover({"a": [False] * 3})[0], "fail", 3),
    (certificates.certificate_cover(None)[0], "not checked", None),
    (certificates.certificate_cover({"a": [True] * 3, "b": [True, True, False]})[0], "pass", 0),
    (certificates.certificate_cover({"a": [True] * 3, "b": [True, True, False]})[-1], "caution", 1),
    (certificates.certificate_plausible({"a": GREY}, GREY_NM), "pass", 0),
    (certificates.certificate_plausible({"a": GREY, "b": SLIPPED}, GREY_NM), "caution", 1),
    (certificates.certificate_plausible({"a": CERTAIN}, GREY_NM), "caution", 1),
    (certificates.certificate_plausible({"a": SLIPPED, "b": CERTAIN}, GREY_NM), "caution", 2),
    (certificates.certificate_plausible({}, GREY_NM), "not checked", None),
    (certificates.certificate_age({"a": dt.date(2026, 3, 2), "b": None}, FLOWN), "pass", 3.35),
    (certificates.certificate_age({"a": dt.date(2025, 3, 2)}, FLOWN), "caution", 15.34),
    (certificates.certificate_age({"a": None}, FLOWN), "not checked", None),
    (certificates.certificate_age({"a": dt.date(2026, 7, 2)}, FLOWN), "pass", -0.657),
    (
        certificates.certificate_age({"a": dt.date(2026, 3, 2), "b": dt.date(9999, 3, 2)}, FLOWN),
        "caution",
        -95672.5,
    ),
    (certificates.certificate_age({"a": dt.date(2025, 3, 2)}, None), "not checked", None),
    (fit.fit_residual([0.01 * ONE, -0.015 * ONE], ["a", "b"], ONE), "pass", 0.015),
    (fit.fit_residual([0.01 * ONE, -0.05 * ONE], ["a", "b"], ONE), "caution", 0.05),
    (fit.fit_residual([0.2 * ONE, NAN * ONE], ["a", "b"], ONE), "fail", 0.2),
    (fit.fit_residual([0 * ONE, 0 * ONE], ["a", "b"], 0 * ONE), "not checked", None),
    (fit.fit_consistency(2 * ONE, ONE), "pass", 2),
    (fit.fit_consistency(7 * ONE, ONE), "caution", 7),
    (fit.fit_consistency(5 * ONE, 2 * ONE), "caution", 5),
    (fit.fit_consistency(NAN * ONE, 0 * ONE), "not checked", None),
    (fit.fit_offset(-0.01 * ONE), "pass", 0.01),
    (fit.fit_offset(-0.03 * ONE), "caution", 0.03),
    (fit.fit_offset(0.2 * ONE), "fail", 0.2),
    (fit.fit_offset(0 * ONE, fitted=False), "not checked", None),
    (fit.fit_offset(NAN * ONE), "not checked", None),
    (fit.fit_curvature(SIGNAL, RHO), "pass", 0),
    (fit.fit_curvature(bent(1e-4), RHO), "caution", None),
    (fit.fit_curvature(TWO, RHO), "not checked", None),
    (fit.fit_curvature({**SIGNAL, "grey": NAN * ONE}, RHO), "not checked", None),
    (fit.check_panel("p", 0.23 * ONE, 0.22 * ONE, 0.015 * ONE), "pass", 0.01),
    (fit.check_panel("p", 0.23 * ONE, 0.22 * ONE, 0.005 * ONE), "caution", 0.01),
    (fit.check_panel("p", 0.245 * ONE, 0.22 * ONE), "caution", 0.025),
    (fit.check_panel("p", 0.825 * ONE, 0.80 * ONE), "pass", 0.025),
    (fit.check_panel("p", 0.35 * ONE, 0.22 * ONE, 0.5 * ONE), "fail", 0.13),
    (fit.check_panel("", None, None), "not checked", None),
    (fit.check_panel("p", NAN * ONE, ONE), "not checked", None),
    (fit.leave_one_out(RHO, RHO), "pass", 0),
    (fit.leave_one_out({**RHO, "grey": 0.25 * ONE}, RHO), "caution", 0.03),
    (fit.leave_one_out({}, RHO), "not checked", None),
]


@pytest.mark.parametrize(
    ("check", "verdict", "value"),
    CASES,
    ids=[f"{c.check}-{i}" for i, (c, _, _) in enumerate(CASES)],
)
def test_verdict_and_value(check: Check, verdict: str, value: float | None) -> None:
    assert check.verdict == verdict, check.says
    if value is not None:
        assert check.value == pytest.approx(value, rel=1e-3, abs=1e-9)
    assert (check.value is None) == (verdict == "not checked")
    assert check.says.endswith(".")
    assert (check.do == "") == (verdict == "pass") or verdict == "not checked"


def test_the_consistency_limit_is_the_tabulated_99_percent_point() -> None:
    # Chi-square table: 6.635 for 1 degree of freedom, 9.210 for 2 (NIST/SEMATECH e-Handbook,
    # 1.3.6.7.4).
    assert fit.fit_consistency(ONE, ONE).caution == pytest.approx(6.635, abs=5e-4)
    assert fit.fit_consistency(ONE, 2 * ONE).caution == pytest.approx(9.210 / 2, abs=5e-4)


def test_the_worst_panel_is_the_subject() -> None:
    assert fit.fit_residual([0.01 * ONE, -0.05 * ONE], ["a", "b"], ONE).subject == "b"
    assert fit.leave_one_out({**RHO, "grey": 0.25 * ONE}, RHO).subject == "grey"
    assert panels.panel_ratio(DIRTY, RHO, OFFSET * ONE).subject in ("grey / dark", "white / grey")


def test_check_panel_states_the_limit_that_was_applied() -> None:
    assert fit.check_panel("p", 0.8 * ONE, 0.8 * ONE).caution == pytest.approx(0.04)
    assert fit.check_panel("p", 0.8 * ONE, 0.8 * ONE, 0.01 * ONE).caution == pytest.approx(0.01)
    moved = with_overrides(LIMITS, {"check-panel": (0.05, None)})
    made = fit.check_panel("p", 0.23 * ONE, 0.22 * ONE, 0.005 * ONE, limits=moved)
    assert (made.verdict, made.caution) == ("pass", 0.05)


def test_curvature_is_the_bend_at_mid_range() -> None:
    s = np.array([0.0, 0.25, 0.6, 1.0])
    r = 0.1 + 0.8 * s + 0.08 * s**2
    found = fit.fit_curvature(
        {str(x): [x] for x in s}, {str(x): [y] for x, y in zip(s, r, strict=True)}
    )
    middle = 0.1 + 0.4 + 0.02
    assert found.value == pytest.approx(0.08 * 0.25 / middle)


def test_a_saturated_band_does_not_hide_the_order() -> None:
    partly = SIGNAL["white"].copy()
    partly[:8] = NAN
    assert panels.panel_order({**SIGNAL, "white": partly}, RHO).verdict == "pass"


def test_bands_of_fewer_certificates_are_named_with_the_panels_that_end() -> None:
    nm = np.linspace(400, 1000, 61)
    reach = {"a": nm <= 450, "b": nm <= 900, "c": nm <= 1000}
    _, fewer = certificates.certificate_cover(reach, wavelength_nm=nm)
    assert fewer.value == 55
    assert "a, b do not reach 55 bands (460 to 1000 nm)" in fewer.says
    assert "through 1 panel" in fewer.says


def test_a_certificates_fault_is_told_where_the_camera_looks_alone() -> None:
    doubt = certificates.certificate_plausible({"a": SLIPPED}, GREY_NM)
    assert "from 690 to 700 nm" in doubt.says
    assert certificates.certificate_plausible({"a": SLIPPED}, [400, 650.0]).verdict == "pass"


def test_passes_that_differ_at_other_samples_are_a_falloff_until_the_response_is_known() -> None:
    passes = {"a": [100 * ONE, 90 * ONE]}
    unknown = panels.panel_repeat(passes, apart={"a": 0.4}, response_known=False)
    assert "response" in unknown.says
    assert "flat" in unknown.do
    assert "illumination" not in unknown.do
    known = panels.panel_repeat(passes, apart={"a": 0.4}, response_known=True)
    assert "panel passes" in known.do
    assert "panel passes" in panels.panel_repeat(passes, apart={"a": 0.0}, response_known=False).do
    followed = panels.panel_repeat(passes, apart={"a": 0.0}, light_followed=True)
    assert "panel passes" not in followed.do


def test_the_panel_to_lay_out_next_is_a_number() -> None:
    small = panels.panel_samples({"a": 60}, sample_width_m=0.0185)
    assert "14 x 14 samples or more (0.26 m a side at this height)" in small.do
    assert "at this height" not in panels.panel_samples({"a": 60}).do
