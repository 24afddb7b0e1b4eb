"""Checks of spectrum and result: a pass, a caution or fail, and what is not checked, for each."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.radiometry.checks import spectrum
from pipeline.radiometry.limits import LIMITS, with_overrides
from pipeline.records import Check

NAN = float("nan")
BEND = np.linspace(-1, 1, 16) ** 2
ERROR = np.full(16, 0.05)
NOISE = np.random.default_rng(4).normal(0, 0.05, 16)

CASES = [
    (spectrum.wavelength_shift(0.3, 0.02, 5.0), "pass", 0.06),
    (spectrum.wavelength_shift(-1.0, 0.1, 5.0), "caution", 0.2),
    (spectrum.wavelength_shift(3.0, 0.1, 5.0), "fail", 0.6),
    (spectrum.wavelength_shift(1.0, 0.4, 5.0), "not checked", None),
    (spectrum.wavelength_shift(1.0, NAN, 5.0), "not checked", None),
    (spectrum.wavelength_shift(NAN, NAN, 5.0), "not checked", None),
    (spectrum.wavelength_shift(None, None, None), "not checked", None),
    (spectrum.smile(NOISE, ERROR, 5.0), "pass", None),
    (spectrum.smile(BEND + NOISE, ERROR, 5.0), "caution", 0.2),
    (spectrum.smile(BEND, 20 * ERROR, 5.0), "pass", 0.2),
    (spectrum.smile(BEND[:3], ERROR[:3], 5.0), "not checked", None),
    (spectrum.smile(NAN * BEND, ERROR, 5.0), "not checked", None),
    (spectrum.smile(None, None, None), "not checked", None),
    (spectrum.negative(13, 10_000), "pass", 0.0013),
    (spectrum.negative(200, 10_000), "caution", 0.02),
    (spectrum.negative(2000, 10_000), "fail", 0.2),
    (spectrum.negative(None, 10_000), "not checked", None),
    (spectrum.negative(0, 0), "not checked", None),
    (spectrum.above_one(1, 10_000), "pass", 0.0001),
    (spectrum.above_one(100, 10_000), "caution", 0.01),
    (spectrum.above_one(None, None), "not checked", None),
    (spectrum.reread(32), "pass", 0),
    (spectrum.reread(32, ["strip-00: reflectance (0, 1, 0)"]), "fail", 1),
    (spectrum.reread(None), "not checked", None),
    (spectrum.reread(0), "not checked", None),
]


@pytest.mark.parametrize(
    ("check", "verdict", "value"),
    CASES,
    ids=[f"{c.check}-{i}" for i, (c, _, _) in enumerate(CASES)],
)
def test_verdict_and_value(check: Check, verdict: str, value: float | None) -> None:
    assert check.verdict == verdict, check.says
    if value is not None:
        assert check.value == pytest.approx(value, rel=0.15)
    assert (check.value is None) == (verdict == "not checked")
    assert check.says.endswith(".")
    assert (check.do == "") == (verdict == "pass") or verdict == "not checked"


def test_noise_alone_is_rarely_a_smile() -> None:
    rng = np.random.default_rng(1)
    limits = with_overrides(LIMITS, {"smile": (0.0, None)})
    found = [
        spectrum.smile(rng.normal(0, 0.3, 16), np.full(16, 0.3), 5.0, limits=limits).verdict
        for _ in range(400)
    ]
    assert found.count("caution") < 40
