"""Colours of measured patches, against colour-science.

Spectra: colour checkers as distributed with colour-science, `SDS_COLOURCHECKERS`: "BabelColor
Average" (means of 30 charts) and "ISO 17321-1" (the patches of that standard). Colour difference:
CIE DE2000 (ISO/CIE 11664-6); below 2 two colours side by side are hard to tell apart (common
practice, no source).
"""

import numpy as np
import pytest

from pipeline.radiometry import cie1931
from pipeline.radiometry.preview import to_srgb, to_xyz, xyz_weights

NM = np.linspace(400, 1000, 270)
FWHM_NM = 6.0
D65_XY = (0.3127, 0.3290)  # IEC 61966-2-1


@pytest.fixture(scope="module")
def colour():
    return pytest.importorskip("colour")


def seen_by_the_camera(patch, centres_nm=NM, fwhm_nm=FWHM_NM):
    """Mean of a patch over each band's Gaussian response; beyond its last value as that."""
    nm = np.arange(360, 1040.5, 0.5)
    values = np.interp(nm, patch.wavelengths, patch.values)
    response = np.exp(-4 * np.log(2) * ((nm - centres_nm[:, None]) / fwhm_nm) ** 2)
    return (response @ values / response.sum(axis=1)).astype(np.float32)


@pytest.mark.parametrize("chart", ["BabelColor Average", "ISO 17321-1"])
def test_colours_of_measured_patches(colour, chart):
    patches = colour.SDS_COLOURCHECKERS[chart]
    assert len(patches) >= 24
    shape = colour.SpectralShape(380, 780, 5)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    daylight = colour.SDS_ILLUMINANTS["D65"].copy().align(shape)
    weights = xyz_weights(NM)
    worst = 0.0
    for patch in patches.values():
        whole = patch.copy().align(shape)
        truth = colour.sd_to_XYZ(whole, observer, daylight, method="Integration") / 100
        ours = to_xyz(seen_by_the_camera(patch)[:, None, None], weights)[:, 0, 0]
        lab = [colour.XYZ_to_Lab(xyz, D65_XY) for xyz in (ours, truth)]
        worst = max(worst, float(colour.delta_E(*lab, method="CIE 2000")))
    assert worst < 2.0


def test_the_observer_and_daylight_are_the_published_ones(colour):
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    light = colour.SDS_ILLUMINANTS["D65"]
    for i, nm in enumerate(cie1931.WAVELENGTH_NM):
        np.testing.assert_allclose(cie1931.OBSERVER[:, i], observer[nm], rtol=1e-5)
        assert cie1931.D65[i] == pytest.approx(light[nm], rel=1e-5)


def test_a_perfect_reflector_is_daylight_white(colour):
    white = to_xyz(np.ones((NM.size, 1, 1), np.float32), xyz_weights(NM))
    assert white[1, 0, 0] == pytest.approx(1, abs=1e-5)
    expected = colour.xy_to_XYZ(D65_XY)
    np.testing.assert_allclose(white[:, 0, 0], expected, rtol=2e-3)
    assert (to_srgb(white) >= 254).all()


def test_screen_colours_are_those_of_the_standard(colour):
    rng = np.random.default_rng(5)
    rgb = rng.uniform(0, 1, (200, 3))
    xyz = colour.sRGB_to_XYZ(rgb)
    ours = to_srgb(xyz.T.reshape(3, 20, 10)).reshape(3, -1).T
    # One step of 255, and the rounding of the standard's printed matrix.
    assert np.abs(ours - rgb * 255).max() <= 1.0
