"""Band averages of tables: what they keep, and where they say nothing."""

import numpy as np
import pytest

from pipeline.errors import CalibrationError
from pipeline.radiometry import bands

TABLE_NM = np.array([400.0, 410, 450, 500, 700, 900])


def average(wavelength_nm, values, centre_nm, fwhm_nm):
    return bands.band_weights(wavelength_nm, centre_nm, fwhm_nm) @ values


def test_a_constant_and_a_straight_line_inside_the_table_are_kept():
    centre, fwhm = np.array([450.0, 600, 800]), np.array([3.0, 5, 10])
    np.testing.assert_allclose(average(TABLE_NM, np.full(6, 0.5), centre, fwhm), 0.5, rtol=1e-12)
    np.testing.assert_allclose(
        average(TABLE_NM, 1e-3 * TABLE_NM, centre, fwhm), 1e-3 * centre, rtol=1e-9
    )


def test_nothing_is_extrapolated():
    centre = np.array([399.9, 400, 900, 900.1])
    value = average(TABLE_NM, np.full(6, 0.5), centre, np.full(4, 5.0))
    assert np.isnan(value).tolist() == [True, False, False, True]
    assert bands.covered(TABLE_NM, centre).tolist() == [False, True, True, False]
    assert not bands.covered(np.array([]), centre).any()


@pytest.mark.parametrize("fwhm", [0.0, np.nan])
def test_no_width_means_the_value_at_the_centre(fwhm):
    values = np.array([0.1, 0.2, 0.4, 0.3, 0.5, 0.6])
    centre = np.array([405.0, 600])
    np.testing.assert_allclose(average(TABLE_NM, values, centre, np.full(2, fwhm)), [0.15, 0.4])


def test_a_very_narrow_band_is_the_value_at_the_centre():
    values = np.array([0.1, 0.2, 0.4, 0.3, 0.5, 0.6])
    got = average(TABLE_NM, values, np.array([400.0, 405, 900]), np.full(3, 1e-3))
    np.testing.assert_allclose(got, [0.1, 0.15, 0.6], atol=1e-5)


def test_a_table_out_of_order_is_refused():
    with pytest.raises(CalibrationError, match="increasing"):
        average(TABLE_NM[::-1], np.ones(6), np.array([500.0]), np.array([5.0]))


def test_a_certificate_keeps_its_uncertainty_over_wavelength():
    reference = bands.reference_for_bands(
        name="grey",
        use="check",
        wavelength_nm=TABLE_NM,
        reflectance=np.full(6, 0.5),
        expanded_uncertainty=np.full(6, 0.02),
        coverage_factor=2.0,
        centre_nm=np.array([300.0, 500, 600]),
        fwhm_nm=np.array([5.0, 100, 5]),
    )
    assert reference.use == "check"
    assert reference.covered.tolist() == [False, True, True]
    np.testing.assert_allclose(reference.uncertainty[1:], 0.01, rtol=1e-12)
    assert np.isnan(reference.reflectance[0])


def test_a_coverage_factor_of_zero_is_refused():
    with pytest.raises(CalibrationError, match="coverage factor"):
        bands.reference_for_bands(
            name="grey",
            use="fit",
            wavelength_nm=TABLE_NM,
            reflectance=np.ones(6),
            expanded_uncertainty=np.ones(6),
            coverage_factor=0.0,
            centre_nm=np.array([500.0]),
            fwhm_nm=np.array([5.0]),
        )


def test_does_not_change_input():
    nm, values = TABLE_NM.copy(), np.linspace(0, 1, 6)
    centre, fwhm = np.array([300.0, 500]), np.array([5.0, 5])
    average(nm, values, centre, fwhm)
    np.testing.assert_array_equal(nm, TABLE_NM)
    np.testing.assert_array_equal(values, np.linspace(0, 1, 6))
    assert centre.tolist() == [300, 500]
