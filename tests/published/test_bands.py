"""Band averages against numerical quadrature (scipy) and spectral's band resampler."""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from spectral import BandResampler

from pipeline.radiometry.bands import band_weights

SIGMA = 1 / (2 * math.sqrt(2 * math.log(2)))


def by_quadrature(table_nm, values, centre, fwhm):
    sigma = fwhm * SIGMA

    def weight(nm):
        return math.exp(-0.5 * ((nm - centre) / sigma) ** 2)

    low, high = max(table_nm[0], centre - 9 * sigma), min(table_nm[-1], centre + 9 * sigma)
    knots = [v for v in (*table_nm, centre) if low < v < high]
    pieces = list(zip([low, *sorted(knots)], [*sorted(knots), high], strict=True))
    top = sum(
        quad(lambda nm: weight(nm) * np.interp(nm, table_nm, values), a, b, epsabs=1e-13)[0]
        for a, b in pieces
    )
    return top / sum(quad(weight, a, b, epsabs=1e-13)[0] for a, b in pieces)


@pytest.mark.parametrize("fwhm", [0.5, 3.0, 12.0, 60.0])
def test_the_closed_form_is_the_integral(fwhm):
    rng = np.random.default_rng(13)
    table_nm = np.cumsum(rng.uniform(2, 30, 25)) + 400
    values = rng.uniform(0, 1, 25)
    centre = np.concatenate([table_nm[[0, 3, -1]], rng.uniform(table_nm[0], table_nm[-1], 6)])
    got = band_weights(table_nm, centre, np.full(9, fwhm)) @ values
    expected = [by_quadrature(table_nm, values, c, fwhm) for c in centre]
    np.testing.assert_allclose(got, expected, rtol=1e-9)


def test_a_fine_table_agrees_with_spectrals_resampler():
    """The resampler ends each Gaussian at half its FWHM on either side, and takes a row of the
    table as constant over its step; with tables cut there and a fine step the two are alike."""
    step = 0.1
    table_nm = np.round(np.arange(400.0, 1000.0 + step / 2, step), 1)
    values = 0.3 + 0.2 * np.tanh((table_nm - 715) / 15) + 0.05 * np.sin(table_nm / 9)
    centre, fwhm = np.arange(430.0, 971, 9), np.full(61, 6.0)
    other = BandResampler(table_nm, centre, np.full(len(table_nm), step), fwhm)(values)
    for c, width, expected in zip(centre, fwhm, other, strict=True):
        cut = np.abs(table_nm - c) <= width / 2 + step / 4
        got = band_weights(table_nm[cut], np.array([c]), np.array([width])) @ values[cut]
        assert got[0] == pytest.approx(expected, abs=1e-5)
