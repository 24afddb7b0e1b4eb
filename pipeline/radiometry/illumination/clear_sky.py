"""The light of a cloudless sky by band, from the sun's place alone."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import CalibrationError
from pipeline.radiometry.bands import band_weights
from pipeline.radiometry.geometry import pressure_pa, sun_elevation
from pipeline.radiometry.illumination.curve import WANDER_PER_S, constant
from pipeline.records import Array, Illumination

#: The model's air mass and diffuse part fail near the horizon [degree]. Common practice, no source.
LOWEST_SUN_DEG = 5.0
#: Share of the change of light since the panels that the model itself may be wrong by. Common
#: practice, no source: 5 % of the irradiance is published for it, nearly all common to all times.
MODEL_SHARE = 0.05
#: Steps of the sun's course; straight between them, within 1e-5 [s].
_STEP_S = 30.0
_MOST_STEPS = 2000


@dataclass(frozen=True)
class Atmosphere:
    """What stands between sun and ground; the defaults are near those of ASTM G173-03."""

    aerosol_500nm: float = 0.10  # optical thickness
    water_cm: float = 1.42  # precipitable
    ozone_cm: float = 0.344  # atm-cm
    ground_albedo: float = 0.2


STANDARD = Atmosphere()
#: Atmospheres that a flight may as well have had: each departs by about one standard deviation of
#: what places and seasons bring. Common practice, no source.
OTHERS = (
    replace(STANDARD, aerosol_500nm=0.22),
    replace(STANDARD, water_cm=2.6),
    replace(STANDARD, ozone_cm=0.40),
    replace(STANDARD, ground_albedo=0.45),
)


def clear_sky_irradiance(
    elevation_deg: Array,
    day_of_year: float,
    wavelength_nm: Array,
    fwhm_nm: Array,
    *,
    altitude_m: float = 0.0,
    atmosphere: Atmosphere = STANDARD,
) -> Array:
    """Irradiance of a level surface under a cloudless sky, (band, time) [W m-2 nm-1].

    Parameters
    ----------
    elevation_deg : (time,) apparent elevation of the sun [degree], above zero
    day_of_year : from 1
    wavelength_nm, fwhm_nm : (band,) within 300 to 4000 nm; outside gives NaN

    Notes
    -----
    Bird and Riordan 1986 (J. Climate Appl. Meteor. 25, 87), `pvlib.spectrum.spectrl2`, direct and
    diffuse, averaged over each band's Gaussian response; air mass of Kasten and Young 1989.
    """
    from pvlib.atmosphere import get_relative_airmass
    from pvlib.spectrum import spectrl2

    zenith = 90.0 - np.asarray(elevation_deg, dtype=np.float64)
    found = spectrl2(
        apparent_zenith=zenith,
        aoi=zenith,
        surface_tilt=0.0,
        ground_albedo=atmosphere.ground_albedo,
        surface_pressure=pressure_pa(altitude_m),
        relative_airmass=get_relative_airmass(zenith, model="kastenyoung1989"),
        precipitable_water=atmosphere.water_cm,
        ozone=atmosphere.ozone_cm,
        aerosol_turbidity_500nm=atmosphere.aerosol_500nm,
        dayofyear=day_of_year,
    )
    weights = band_weights(np.asarray(found["wavelength"], np.float64), wavelength_nm, fwhm_nm)
    return np.asarray(weights @ np.asarray(found["poa_global"], np.float64))


def clear_sky(
    line_time: Array,
    panel_time: Array,
    wavelength_nm: Array,
    fwhm_nm: Array,
    *,
    latitude: float,
    longitude: float,
    altitude_m: float = 0.0,
) -> Illumination:
    """Irradiance ratio of a cloudless sky, by band.

    Parameters
    ----------
    line_time, panel_time : (line,), (reading,) [s]; the reference is the mean over the readings.
        A line of unknown time gets ratio 1, the largest change of the others as uncertainty, and
        is flagged
    wavelength_nm, fwhm_nm : (band,)
    latitude, longitude, altitude_m : of the flight [degree, degree, m above sea level]

    Returns
    -------
    Illumination, (band, line).

    Raises
    ------
    CalibrationError
        No panel time known, a wavelength outside 300 to 4000 nm, or the sun below
        `LOWEST_SUN_DEG` at a panel or line.

    Notes
    -----
    The uncertainty is what the other atmospheres of `OTHERS` make of the ratio, each apart;
    `MODEL_SHARE` of the change; and haze that comes and goes, `WANDER_PER_S` since the nearest
    panel reading. A cloud is in none of them.
    """
    lines = np.asarray(line_time, dtype=np.float64)
    panels = np.atleast_1d(np.asarray(panel_time, dtype=np.float64))
    panels = np.sort(panels[np.isfinite(panels)])
    known = np.isfinite(lines)
    if not panels.size:
        raise CalibrationError("no panel reading has a known time; a clear sky needs one")
    at = np.where(known, lines, panels[0])
    first, last = min(at.min(), panels[0]), max(at.max(), panels[-1])
    few = np.linspace(
        first, last, int(np.clip(np.ceil((last - first) / _STEP_S) + 1, 2, _MOST_STEPS))
    )
    elevation = sun_elevation(few, latitude, longitude, altitude_m)
    if not elevation.min() >= LOWEST_SUN_DEG:
        raise CalibrationError(
            f"the sun stood {elevation.min():.1f} degrees high at {latitude:.4f}, {longitude:.4f}; "
            f'illumination = "clear sky" needs {LOWEST_SUN_DEG:.0f}',
            do="Look at the clocks and the position, or use an irradiance log or panel passes",
        )
    day = dt.datetime.fromtimestamp(float(first), dt.UTC).timetuple().tm_yday

    def ratio(atmosphere: Atmosphere) -> Array:
        light = clear_sky_irradiance(
            elevation, day, wavelength_nm, fwhm_nm, altitude_m=altitude_m, atmosphere=atmosphere
        )
        if not np.isfinite(light).all():
            raise CalibrationError("a clear sky is known from 300 to 4000 nm; a band lies outside")
        by_line = np.stack([np.interp(at, few, band) for band in light])
        return np.asarray(by_line / _means(few, light, panels)[:, None])

    q = ratio(STANDARD)
    variance = (MODEL_SHARE * (q - 1)) ** 2 + WANDER_PER_S * _away(at, panels)
    for other in OTHERS:
        variance = variance + (ratio(other) - q) ** 2
    uncertainty = np.sqrt(variance)
    changes = np.abs(q[:, known] - 1).max(axis=1, initial=0.0)[:, None]
    return Illumination(np.where(known, q, 1.0), np.where(known, uncertainty, changes), ~known)


def haurwitz(elevation_deg: Array) -> Array:
    """Broadband irradiance of a level surface under a cloudless sky, (time,) [W m-2].

    `elevation_deg` is the sun's apparent elevation; at the horizon and below it gives 0, NaN
    gives NaN. Haurwitz 1945 (J. Meteorol. 2, 154), as Reno et al. 2012 (SAND2012-2389) have it.
    """
    cosine = np.sin(np.radians(np.asarray(elevation_deg, dtype=np.float64)))
    with np.errstate(divide="ignore", over="ignore"):
        light = 1098.0 * cosine * np.exp(-0.059 / cosine)
    return np.where(cosine <= 0, 0.0, light)


def constant_under_sun(
    line_time: Array, panel_time: Array, *, latitude: float, longitude: float
) -> Illumination:
    """Ratio 1 throughout, as uncertain as the sun's course makes it.

    Parameters
    ----------
    line_time, panel_time : (line,), (reading,) [s], one reading of known time at least
    latitude, longitude : of the flight [degree]

    Returns
    -------
    Illumination, (line,). The standard uncertainty is `haurwitz`'s change since the panels, in
    magnitude: it is left in the result on purpose, and no more than known from a model; as the
    whole of a known error it stands for one standard uncertainty (GUM F.2.4.5 would have it added
    to the expanded one), so that the mean square of errors over uncertainties is 1 under the sky
    that it supposes. A line of unknown time is as uncertain as the worst of the others.
    """
    lines = np.asarray(line_time, dtype=np.float64)
    panels = np.atleast_1d(np.asarray(panel_time, dtype=np.float64))
    panels = panels[np.isfinite(panels)]
    known = np.isfinite(lines)
    at = np.where(known, lines, panels[0])
    few = np.unique(np.concatenate([np.linspace(at.min(), at.max(), 65), panels]))
    light = haurwitz(sun_elevation(few, latitude, longitude))
    reference = float(np.interp(panels, few, light).mean())
    if not reference > 0:
        # Below the horizon the model says nothing; the row of the sun's elevation does.
        return constant(lines.size)
    change = np.abs(np.interp(at, few, light) / reference - 1.0)
    change = np.where(known, change, change.max(initial=0.0))
    return replace(constant(lines.size), uncertainty=change)


def _means(few: Array, light: Array, panels: Array) -> Array:
    """Mean irradiance over the panels' times, (band,)."""
    return np.array([np.interp(panels, few, band).mean() for band in light])


def _away(at: Array, panels: Array) -> Array:
    """Seconds from each time to the nearest panel reading."""
    after = np.clip(np.searchsorted(panels, at), 0, panels.size - 1)
    before = np.maximum(after - 1, 0)
    return np.minimum(np.abs(panels[after] - at), np.abs(at - panels[before]))
