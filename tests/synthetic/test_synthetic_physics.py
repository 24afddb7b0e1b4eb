"""Light, bands and panels of the simulated flights."""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from pipeline.synthetic import FlightPlan, PanelPlan
from pipeline.synthetic.atmosphere import (
    band_means,
    gaussian_weights,
    irradiance,
    reference_table,
    wavelength_grid,
)
from pipeline.synthetic.camera import quantum_efficiency, white_signal
from pipeline.synthetic.certificates import certificate_table, true_panel_reflectance
from pipeline.synthetic.scene import MATERIALS, material_reflectance


def test_table_agrees_with_astm_g173_where_the_standard_prints_it():
    # ASTM G173-03, global tilt, W m-2 nm-1: values of the table at 400 and 550 nm and the total
    # from 280 to 4000 nm, 1000.4 W m-2 (1000.37). From memory.
    wavelength, value = reference_table()
    at = dict(zip(wavelength.tolist(), value.tolist(), strict=True))
    assert at[400.0] == pytest.approx(1.1141, abs=5e-5)
    assert at[550.0] == pytest.approx(1.5399, abs=5e-5)
    assert np.trapezoid(value, wavelength) == pytest.approx(1000.4, abs=0.1)


@pytest.mark.parametrize("centre", [402.2, 550.0, 687.0, 760.5, 940.0, 997.8])
@pytest.mark.parametrize("fwhm", [5.0, 10.0])
def test_band_average_agrees_with_adaptive_quadrature(centre, fwhm):
    sigma = fwhm / (2.0 * math.sqrt(2.0 * math.log(2.0)))
    wavelength, value = reference_table()

    def response(x):
        return math.exp(-0.5 * ((x - centre) / sigma) ** 2)

    low, high = centre - 6 * sigma, centre + 6 * sigma
    kinks = wavelength[(wavelength > low) & (wavelength < high)]
    above = quad(
        lambda x: response(x) * float(np.interp(x, wavelength, value)),
        low,
        high,
        points=kinks,
        limit=500,
    )[0]
    expected = above / quad(response, low, high)[0]
    grid = wavelength_grid()
    got = band_means(irradiance(grid), grid, np.array([centre]), np.array([fwhm]))[0]
    assert got == pytest.approx(expected, rel=2e-4)


def test_oxygen_a_minimum_is_near_761_nm_at_5_nm_width():
    # The O2-A band of the ASTM G173-03 table is deepest at 761 nm and leans to the red (its P
    # branch), so that a 5 nm band sees the minimum later, but within half its width.
    wavelength, table = reference_table()
    near = (wavelength > 740) & (wavelength < 785)
    assert wavelength[near][table[near].argmin()] == 761.0
    grid = wavelength_grid()
    centre = np.arange(740.0, 785.0, 0.1)
    value = band_means(irradiance(grid), grid, centre, np.full(centre.size, 5.0))
    assert centre[value.argmin()] == pytest.approx(761.0, abs=2.5)
    shoulder = np.interp(761.0, [750.0, 775.0], np.interp([750.0, 775.0], centre, value))
    assert 0.4 < value.min() / shoulder < 0.75


def test_band_response_has_the_stated_width():
    grid = wavelength_grid()
    weights = gaussian_weights(grid, np.array([700.0]), np.array([5.0]))[0]
    above_half = grid[weights >= 0.5 * weights.max() * (1.0 - 1e-9)]
    assert above_half[-1] - above_half[0] == pytest.approx(5.0, abs=0.11)
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)


def test_quantum_efficiency_is_a_share():
    value = quantum_efficiency(np.arange(400.0, 1001.0))
    assert value.min() > 0
    assert value.max() < 1


def test_materials_have_the_features_their_names_promise():
    wavelength = np.array([450.0, 550.0, 675.0, 800.0, 900.0])
    spectra = dict(zip(MATERIALS, material_reflectance(wavelength), strict=True))
    for plant in ("grass", "reeds"):
        _, green, red, infrared, _ = spectra[plant]
        assert green > red
        assert infrared > 4 * red
    assert spectra["water"][4] < 0.5 * spectra["water"][1]
    assert (np.diff(spectra["sand"]) > 0).all()
    assert all(((value > 0) & (value < 0.6)).all() for value in spectra.values())


def test_photons_not_energy_drive_the_signal():
    # Same energy at twice the wavelength is twice the photons; the table, optics and quantum
    # efficiency divided out, what is left must rise in proportion to wavelength.
    from pipeline.synthetic.camera import optics_transmission, photoelectron_spectrum

    x = np.array([450.0, 900.0])
    left = photoelectron_spectrum(x) / (
        irradiance(x) * optics_transmission(x) * quantum_efficiency(x)
    )
    assert left[1] / left[0] == pytest.approx(2.0, rel=1e-12)


def test_certificate_without_error_is_the_truth():
    plan = FlightPlan()
    wavelength, value, _ = certificate_table(plan.panels[2])
    assert np.array_equal(true_panel_reflectance(plan, 2, wavelength), value)


def test_drawn_certificate_errors_have_the_stated_spread_and_go_together_over_wavelength():
    draws = []
    for seed in range(300):
        plan = FlightPlan(seed=seed, certificate_error="draw", panels=(PanelPlan("p", 0.5),))
        wavelength, value, expanded = certificate_table(plan.panels[0])
        inside = (wavelength >= 400) & (wavelength <= 1000)
        true = true_panel_reflectance(plan, 0, wavelength)
        draws.append((true - value)[inside] / (0.5 * expanded[inside]))
    z = np.array(draws)
    # 300 draws: the standard deviation is known to 4 %; the wave adds at most a third.
    assert 0.88 < z.std() < 1.2
    assert np.corrcoef(z[:, 0], z[:, -1])[0, 1] > 0.8


def test_shift_moves_the_oxygen_dip_the_other_way_in_the_header():
    steady = FlightPlan(samples=64, bands=271)
    shifted = FlightPlan(samples=64, bands=271, wavelength_shift_nm=1.0)
    here = (steady.wavelength_nm > 745) & (steady.wavelength_nm < 775)

    def dip(plan):
        signal = white_signal(plan)[here, 0]
        x = plan.wavelength_nm[here]
        depth = np.maximum(np.interp(x, x[[0, -1]], signal[[0, -1]]) - signal, 0)
        return (depth * x).sum() / depth.sum()

    assert dip(steady) - dip(shifted) == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize(
    ("knobs", "message"),
    [
        ({"cubes": 0}, "cubes"),
        ({"panel_passes": 4}, "panel_passes"),
        ({"samples": 64, "panel_samples": 40}, "panel_samples"),
        ({"lines": 50}, "lines"),
        ({"dark_captures": ()}, "dark_captures"),
    ],
)
def test_a_plan_that_cannot_be_names_the_knob(knobs, message):
    with pytest.raises(ValueError, match=f"^{message}"):
        FlightPlan(**knobs)
