"""A cloudless sky by band against other published models and against its own atmospheres."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from pipeline.errors import CalibrationError
from pipeline.radiometry.geometry import sun_elevation
from pipeline.radiometry.illumination.clear_sky import (
    Atmosphere,
    clear_sky,
    clear_sky_irradiance,
    constant_under_sun,
    haurwitz,
)

NM = np.linspace(400, 1000, 61)
FWHM = np.full(61, 5.0)
PLACE = {"latitude": 54.9, "longitude": 3.2}
MORNING = dt.datetime(2026, 6, 18, 8, 0, tzinfo=dt.UTC).timestamp()


def test_the_spectrum_is_that_of_astm_g173_laid_level():
    """ASTM G173-03, through pvlib: direct light of air mass 1.5, and what falls from the sky on a
    surface tilted by 37 degrees, taken as what falls on a level one: alike to a tenth, since the
    sky is brightest around the sun."""
    from pvlib.spectrum import get_reference_spectra

    table = get_reference_spectra(standard="ASTM G173-03")
    bands = np.array([450.0, 550.0, 675.0, 780.0, 870.0])
    direct, tilted = (np.interp(bands, table.index, table[one]) for one in ("direct", "global"))
    sky = tilted - direct * np.cos(np.radians(48.19 - 37))
    wanted = direct * np.cos(np.radians(48.19)) + sky
    found = clear_sky_irradiance(
        np.array([90 - 48.19]), 93, bands, np.full(5, 10.0), atmosphere=Atmosphere(0.084)
    )[:, 0]
    np.testing.assert_allclose(found / wanted, 1, atol=0.10)


def test_the_change_with_time_is_that_of_the_solis_model():
    """Ineichen 2008 (simplified Solis, through pvlib), broadband, over two hours of a morning."""
    from pvlib.clearsky import simplified_solis

    at = MORNING + np.arange(0, 7201, 600.0)
    light = clear_sky(at, at[:1], NM, FWHM, **PLACE)
    elevation = sun_elevation(at, *PLACE.values())
    solis = simplified_solis(pd.Series(elevation), aod700=0.08, precipitable_water=1.42)
    other = np.asarray(solis["ghi"] / solis["ghi"].iloc[0])
    energy = clear_sky_irradiance(elevation[:1], 169, NM, FWHM)[:, 0]
    broad = (light.ratio * energy[:, None]).sum(axis=0) / energy.sum()
    np.testing.assert_allclose(broad, other, rtol=0.02)
    u = (light.uncertainty * energy[:, None]).sum(axis=0) / energy.sum()
    assert (np.abs(broad - other) <= 2 * u + 1e-9).all()


def test_one_at_the_panels_and_bluer_as_the_sun_rises():
    light = clear_sky(MORNING + np.array([0.0, 1800]), np.array([MORNING]), NM, FWHM, **PLACE)
    np.testing.assert_allclose(light.ratio[:, 0], 1, rtol=1e-9)
    assert light.uncertainty[:, 0].max() < 1e-9
    assert light.ratio[0, 1] > light.ratio[46, 1] > 1.05
    assert not light.extrapolated.any()


def test_other_atmospheres_lie_within_the_uncertainty():
    at, panels = MORNING + np.arange(0, 3601, 300.0), np.array([MORNING])
    light = clear_sky(at, panels, NM, FWHM, **PLACE)
    elevation = sun_elevation(at, *PLACE.values())
    rng = np.random.default_rng(3)
    z = []
    for _ in range(30):
        air = Atmosphere(
            aerosol_500nm=float(np.exp(rng.normal(np.log(0.10), 0.7))),
            water_cm=float(np.exp(rng.normal(np.log(1.42), 0.5))),
            ozone_cm=0.344 + 0.05 * rng.standard_normal(),
            ground_albedo=float(rng.uniform(0.1, 0.4)),
        )
        true = clear_sky_irradiance(elevation, 169, NM, FWHM, atmosphere=air)
        z.append((light.ratio - true / true[:, :1])[:, 1:] / light.uncertainty[:, 1:])
    assert np.mean(np.abs(z) <= 2) > 0.95
    assert np.mean(np.square(z)) < 1


def test_broadband_light_is_that_of_haurwitz():
    """Haurwitz 1945, through pvlib."""
    from pvlib.clearsky import haurwitz as theirs

    elevation = np.array([-5.0, 0.0, 3.0, 20.0, 45.0, 90.0])
    wanted = theirs(pd.Series(90 - elevation))["ghi"].to_numpy()
    np.testing.assert_allclose(haurwitz(elevation), wanted, rtol=1e-12, atol=1e-9)


def test_a_constant_light_is_as_uncertain_as_the_clear_sky_moves():
    """Bird and Riordan's sky, band by band, over an hour of a morning and one about noon."""
    for start in (MORNING, MORNING + 3.3 * 3600):
        at, panels = start + np.arange(0, 3601, 300.0), np.array([start])
        light = constant_under_sun(at, panels, **PLACE)
        true = clear_sky(at, panels, NM, FWHM, **PLACE)
        z = (1 - true.ratio[:, 1:]) / light.uncertainty[1:]
        assert 0.6 < np.mean(z**2) < 1.5
        assert (light.ratio == 1).all()
        assert light.uncertainty[0] < 1e-9
    assert light.uncertainty[-1] < 0.02


def test_constant_light_of_unknown_time_is_as_uncertain_as_the_worst():
    at = MORNING + np.array([0.0, 1800, np.nan])
    light = constant_under_sun(at, np.array([MORNING, np.nan]), **PLACE)
    assert light.uncertainty[2] == light.uncertainty[1] > 0.05
    night = constant_under_sun(at + 14 * 3600, np.array([MORNING + 14 * 3600]), **PLACE)
    assert (night.uncertainty == 0).all()


def test_a_line_of_unknown_time_is_flagged_and_as_uncertain_as_the_rest():
    at = MORNING + np.array([0.0, 1800, np.nan])
    light = clear_sky(at, np.array([MORNING]), NM, FWHM, **PLACE)
    assert light.extrapolated.tolist() == [False, False, True]
    np.testing.assert_allclose(light.ratio[:, 2], 1)
    np.testing.assert_allclose(light.uncertainty[:, 2], light.ratio[:, 1] - 1)


@pytest.mark.parametrize(
    ("hours", "panels", "nm", "says"),
    [
        (14.0, [0.0], NM, "degrees high"),
        (0.0, [np.nan], NM, "no panel reading"),
        (0.0, [0.0], NM - 150, "300 to 4000"),
    ],
)
def test_what_a_clear_sky_cannot_tell_is_refused(hours, panels, nm, says):
    at = MORNING + 3600 * hours + np.array([0.0, 60.0])
    with pytest.raises(CalibrationError, match=says):
        clear_sky(at, MORNING + np.array(panels), nm, FWHM, **PLACE)
