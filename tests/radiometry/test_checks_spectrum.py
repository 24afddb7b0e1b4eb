"""Checks of spectrum and result: a pass, a caution or fail, and what is not checked, for each."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.radiometry.checks import spectrum
from pipeline.radiometry.limits import LIMITS, with_overrides
from pipeline.radiometry.spectrum import o2a_shift
from pipeline.records import Check

NAN = float("nan")
#: A parabola of 1 nm over the whole swath, at the middles of 16 groups.
BEND = ((np.arange(16) + 0.5) / 8 - 1) ** 2
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


@pytest.mark.parametrize("fwhm_nm", [2.0, 3.0, 5.0, 8.0])
@pytest.mark.parametrize("power", [0.67, 1.0, 2.0, 3.0])
def test_the_air_mass_alone_is_no_shift(power: float, fwhm_nm: float) -> None:
    """ASTM G173-03 (air mass 1.5), its O2-A transmission taken to air mass 1, 1.5, 3 and 4.5."""
    from pvlib.spectrum import get_reference_spectra

    table = get_reference_spectra(standard="ASTM G173-03")["global"].loc[690:840]
    nm = np.arange(700.0, 830.0, 0.05)
    light = np.interp(nm, table.index.to_numpy(float), table.to_numpy(float))
    beside = ((nm > 748) & (nm < 756)), ((nm > 774) & (nm < 782))
    line = np.interp(nm, (752, 778), [np.median(light[part]) for part in beside])
    inside = (nm > 758) & (nm < 772) & (light < line)
    light[inside] = line[inside] * (light[inside] / line[inside]) ** power
    centre = np.arange(702.0, 828.0, fwhm_nm / 2.3)
    weight = np.exp(-0.5 * ((nm - centre[:, None]) / (fwhm_nm / 2.354820045)) ** 2)
    bands = weight @ light / weight.sum(axis=1)
    shift, error = o2a_shift(centre, fwhm_nm, bands)
    row = spectrum.wavelength_shift(float(shift), float(error), fwhm_nm)
    assert row.verdict in ("pass", "not checked"), row.says
    # A scale that is off by 0.2 of FWHM, and by a nanometre at least, is seen all the same.
    off = max(1.0, 0.2 * fwhm_nm)
    for sign in (-1, 1):
        moved, error = o2a_shift(centre - sign * off, fwhm_nm, bands)
        assert spectrum.wavelength_shift(float(moved), float(error), fwhm_nm).verdict in (
            "caution",
            "fail",
        )
