"""Measured neutral patches as panels and as targets.

Spectra: neutral patches white to black of a colour checker, 380 to 730 nm in steps of 10 nm, as
distributed with colour-science (`SDS_COLOURCHECKERS["BabelColor Average"]`). Signals are simulated
from them by a camera with gain, offset and noise of its own; the patches left out of the fit must
come back within their expanded uncertainty (k = 2) where they should.
"""

import numpy as np
import pytest

from pipeline.radiometry.bands import reference_for_bands
from pipeline.radiometry.empirical_line import fit_empirical_line, predict

NEUTRAL = (
    "white 9.5 (.05 D)",
    "neutral 8 (.23 D)",
    "neutral 6.5 (.44 D)",
    "neutral 5 (.70 D)",
    "neutral 3.5 (1.05 D)",
    "black 2 (1.5 D)",
)
CENTRE_NM = np.linspace(400, 720, 129)
FWHM_NM = np.full(129, 5.0)
RELATIVE = 0.01  # standard uncertainty of the certificates


@pytest.fixture(scope="module")
def patches():
    colour = pytest.importorskip("colour")
    table = colour.SDS_COLOURCHECKERS["BabelColor Average"]
    return [
        reference_for_bands(
            name=name,
            use="fit",
            wavelength_nm=np.asarray(table[name].wavelengths, dtype=float),
            reflectance=np.asarray(table[name].values, dtype=float),
            expanded_uncertainty=2 * RELATIVE * np.asarray(table[name].values, dtype=float),
            coverage_factor=2.0,
            centre_nm=CENTRE_NM,
            fwhm_nm=FWHM_NM,
        )
        for name in NEUTRAL
    ]


def test_the_patches_are_neutral_and_in_order(patches):
    """Known nominal reflectances: density D is -log10 of the reflectance, a few per cent off."""
    green = [np.interp(550, CENTRE_NM, p.reflectance) for p in patches]
    density = [0.05, 0.23, 0.44, 0.70, 1.05, 1.5]
    np.testing.assert_allclose(-np.log10(green), density, atol=0.05)


@pytest.mark.parametrize("fitted", [(0, 5), (0, 3), (1, 3, 5), (0, 2, 3, 5)])
def test_patches_left_out_come_back_within_their_expanded_uncertainty(patches, fitted):
    rng = np.random.default_rng(14)
    gain = 1 / (3500 * np.exp(-(((CENTRE_NM - 580) / 150) ** 2)))
    offset = 0.004
    u_signal = 3.0
    truth = np.stack([p.reflectance for p in patches])
    within, errors = [], []
    for _ in range(40):
        # Each patch's real reflectance is off its certificate, alike at all wavelengths.
        real = truth * (1 + RELATIVE * rng.normal(size=(len(patches), 1)))
        signal = (real - offset) / gain + rng.normal(0, u_signal, truth.shape)
        line = fit_empirical_line(
            [patches[k] for k in fitted],
            signal[list(fitted)],
            np.full((len(fitted), len(CENTRE_NM)), u_signal),
            np.ones((len(fitted), len(CENTRE_NM)), dtype=bool),
        )
        assert line.calibrated.all()
        for k in set(range(len(patches))) - set(fitted):
            value, u = predict(line, signal[k], np.full(len(CENTRE_NM), u_signal))
            error = value - truth[k]
            u = np.hypot(u, patches[k].uncertainty)
            within.append(np.abs(error) <= 2 * u)
            errors.append(error / u)
    # k = 2 covers 95 %; trials are correlated over bands, so that 40 x 4 of them scatter a bit.
    assert 0.90 <= np.mean(within) <= 0.995
    assert 0.75 < np.std(errors) < 1.2
