"""Offsets of bands with one panel, and when certificates are refuted. Derived, no source."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2
from uncertainties import ufloat

from pipeline.radiometry.empirical_line import fit_empirical_line
from pipeline.radiometry.offset import carried_offset
from pipeline.records import PanelReference

BANDS = 6


def reference(name: str, value: float, u: float) -> PanelReference:
    whole = np.ones(BANDS)
    return PanelReference(name, "fit", value * whole, u * whole, np.ones(BANDS, np.bool_))


def test_without_a_fitted_band_it_is_zero_as_uncertain_as_is_said() -> None:
    value, u = carried_offset(np.zeros(3), np.zeros(3), np.zeros(3, np.bool_), 0.003)
    assert value.tolist() == [0, 0, 0]
    assert u.tolist() == [0.003] * 3


def test_the_nearest_bands_offset_with_their_scatter_trend_and_own_error() -> None:
    offset = np.array([0.010, 0.012, 0.011, np.nan, np.nan])
    fitted = np.isfinite(offset)
    value, u = carried_offset(offset, np.full(5, 4e-6), fitted, 0.003)
    assert value[4] == 0.011
    np.testing.assert_allclose(u[4], np.hypot(0.003, 0.002))
    steep = np.array([0.00, 0.01, 0.02, 0.03, np.nan])
    value, u = carried_offset(steep, np.zeros(5), np.isfinite(steep), 0.003)
    np.testing.assert_allclose(u[4], 0.01 * 2.5)  # 2.5 bands from the middle of the fitted ones
    _, wide = carried_offset(offset, np.zeros(5), fitted, 0.05)
    assert wide[4] == 0.05


def test_one_panels_gain_bears_the_offsets_error() -> None:
    """Oracle: `uncertainties`, R = a + (rho - a) S / P."""
    line = fit_empirical_line(
        [reference("p", 0.5, 0.01)], np.full((1, BANDS), 1900.0), np.full((1, BANDS), 5.0),
        np.ones((1, BANDS), np.bool_), offset_uncertainty=0.003,
    )  # fmt: skip
    rho, panel, a = ufloat(0.5, 0.01), ufloat(1900, 5), ufloat(0, 0.003)
    for signal in (100.0, 900.0, 1900.0):
        wanted = a + (rho - a) * signal / panel
        variance = signal**2 * line.gain_variance + line.offset_variance
        variance = variance + 2 * signal * line.covariance
        np.testing.assert_allclose(np.sqrt(variance), wanted.std_dev, rtol=1e-10)
        np.testing.assert_allclose(line.offset + line.gain * signal, wanted.nominal_value)


def test_a_dark_panel_below_the_offset_leaves_no_calibration() -> None:
    signal = np.array([[200.0], [2000.0]]) * np.ones(BANDS)
    usable = np.ones((2, BANDS), np.bool_)
    usable[1, 5] = False
    # The line through both is 0.04 at no signal; the dark panel of 0.03 in band 5 lies below.
    references = [reference("dark", 0.05, 1e-4), reference("bright", 0.14, 1e-4)]
    references[0].reflectance[5] = 0.03
    line = fit_empirical_line(references, signal, np.full((2, BANDS), 1.0), usable)
    assert line.calibrated.tolist() == [True] * 5 + [False]


@pytest.mark.parametrize("beyond", [False, True])
def test_certificates_stand_until_the_data_refute_them(beyond: bool) -> None:
    point = chi2.ppf(0.99, 1)
    u = 0.01
    # Three panels on a line but for the middle one; chi-square of its departure d is d^2/(1.5 u^2).
    d = np.sqrt(1.5 * point) * u * (1.02 if beyond else 0.98)
    references = [reference(n, r, u) for n, r in (("a", 0.1), ("b", 0.3 + d), ("c", 0.5))]
    signal = np.array([[400.0], [1200.0], [2000.0]]) * np.ones(BANDS)
    line = fit_empirical_line(
        references, signal, np.full((3, BANDS), 1e-3), np.ones((3, BANDS), np.bool_)
    )
    np.testing.assert_allclose(line.chi_square, point * (1.02 if beyond else 0.98) ** 2, rtol=1e-4)
    np.testing.assert_allclose(line.birge, np.sqrt(line.chi_square) if beyond else 1)
