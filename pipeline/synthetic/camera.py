"""The camera: throughput, exposure, dark signal, relative response, bad elements."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from pipeline.records import Array, Array32, BadElements, Mask
from pipeline.synthetic.atmosphere import band_means, gaussian_weights, irradiance, wavelength_grid
from pipeline.synthetic.certificates import nominal_reflectance
from pipeline.synthetic.plan import FlightPlan, generator

#: Quantum efficiency of a front-illuminated silicon sensor; typical figures, from memory.
QUANTUM_EFFICIENCY = (
    (300.0, 0.10),
    (400.0, 0.45),
    (450.0, 0.60),
    (500.0, 0.68),
    (550.0, 0.70),
    (600.0, 0.68),
    (650.0, 0.63),
    (700.0, 0.57),
    (750.0, 0.48),
    (800.0, 0.39),
    (850.0, 0.29),
    (900.0, 0.20),
    (950.0, 0.12),
    (1000.0, 0.06),
    (1100.0, 0.005),
)

#: Nodes over the smile at which band averages are taken; linear between them.
SMILE_NODES = 9


def quantum_efficiency(wavelength_nm: Array) -> Array:
    """Electrons per photon at the sensor, (point,)."""
    nodes = np.array(QUANTUM_EFFICIENCY)
    return np.asarray(PchipInterpolator(nodes[:, 0], nodes[:, 1])(wavelength_nm))


def optics_transmission(wavelength_nm: Array) -> Array:
    """Lens and grating, (point,): a blaze about 620 nm and the glass's edge in the violet."""
    blaze = 0.35 + 0.40 * np.exp(-(((wavelength_nm - 620.0) / 260.0) ** 2))
    return np.asarray(blaze / (1.0 + np.exp(-(wavelength_nm - 375.0) / 12.0)))


def photoelectron_spectrum(wavelength_nm: Array) -> Array:
    """Electrons per nm from a white surface, (point,), in an arbitrary unit.

    Irradiance times wavelength (photons, not energy) times optics times quantum efficiency.
    """
    return (
        irradiance(wavelength_nm)
        * wavelength_nm
        * optics_transmission(wavelength_nm)
        * quantum_efficiency(wavelength_nm)
    )


@functools.lru_cache(maxsize=8)
def white_signal(plan: FlightPlan) -> Array:
    """Counts above dark of an ideal white surface at the panels' time, (band, sample).

    The exposure sets the peak of the brightest fit panel, as rightly certified, to `peak_share` of
    full scale, dark included; then `exposure_factor` scales all.

    Simplification: a material's spectrum is smooth over a band, so its mean over the band
    multiplies this, where a camera would average the product. That makes gain and offset exact.
    """
    grid = wavelength_grid()
    spectrum = photoelectron_spectrum(grid)
    width = np.full(plan.bands, plan.width_nm)
    shift = plan.shift_nm
    nodes = np.linspace(shift[0], shift[-1], SMILE_NODES if plan.smile_nm else 1)
    at_nodes = np.stack([band_means(spectrum, grid, plan.wavelength_nm + d, width) for d in nodes])
    if len(nodes) == 1:
        white = np.repeat(at_nodes[0][:, None], plan.samples, axis=1)
    else:
        white = np.stack([np.interp(shift, nodes, at_nodes[:, b]) for b in range(plan.bands)])
    # The exposure is set at the header's wavelengths: a shift alters the spectrum, not the scale.
    steady = band_means(spectrum, grid, plan.wavelength_nm, width)
    brightest = max((p for p in plan.panels if p.use == "fit"), key=lambda p: p.reflectance)
    apparent = nominal_reflectance(brightest, plan.wavelength_nm) + path_reflectance(plan)
    above_dark = plan.peak_share * plan.full_scale_counts - plan.dark_level_counts
    scale = above_dark / float(np.max(steady * apparent))
    # Rounded so that the last bits of exp on another processor do not reach the counts.
    made = np.round(white * scale * plan.exposure_factor, 5)
    made.setflags(write=False)  # cached, and shared by every caller
    return made


def path_reflectance(plan: FlightPlan) -> Array:
    """Path signal as reflectance, (band,): bluer than the light on the ground (Rayleigh, haze)."""
    return np.asarray(plan.path_reflectance * (plan.wavelength_nm / 550.0) ** -2.0)


def leaked_signal(plan: FlightPlan, scene_mean: Array) -> Array:
    """Light in the capped captures, (band,) [count]: the scene's mean spectrum in small."""
    signal = white_signal(plan).mean(axis=1) * scene_mean
    return np.asarray(plan.light_leak_counts * signal / signal.max())


def band_response(grid_nm: Array, plan: FlightPlan) -> Array:
    """Band responses at the header's centres moved by the mean shift, (band, point)."""
    centre = plan.wavelength_nm + float(plan.shift_nm.mean())
    return gaussian_weights(grid_nm, centre, np.full(plan.bands, plan.width_nm))


@dataclass(frozen=True, eq=False)
class Elements:
    """What each detector element does, (band, sample) all."""

    dark: Array32  # [count] at the first dark capture's middle
    drift: Array32  # [count] rise by the last dark capture's middle
    read_noise: Array32  # [count], standard deviation
    response: Array32  # [1], mean 1 over samples in each band; dead elements not counted
    stuck_at: Array32  # [count], NaN where not stuck
    bad: BadElements


def elements(plan: FlightPlan) -> Elements:
    """Draw the detector of a plan; the draws depend on its seed and shape alone."""
    shape = (plan.bands, plan.samples)
    band = np.linspace(-1.0, 1.0, plan.bands)[:, None]
    sample = np.linspace(-1.0, 1.0, plan.samples)[None, :]
    rng = generator(plan, "dark")
    column = np.sin(2.0 * np.pi * (1.5 * sample + rng.random())) + 0.5 * sample
    row = np.sin(2.0 * np.pi * (1.0 * band + rng.random()))
    dark = (
        plan.dark_level_counts
        + plan.dark_structure_counts * (0.6 * column + 0.4 * row)
        + plan.fixed_pattern_counts * rng.standard_normal(shape)
    )
    drift = plan.dark_drift_counts * (1.0 + 0.1 * sample + 0.05 * band)

    rng = generator(plan, "response")
    response = 1.0 - plan.vignetting * sample**2 + plan.response_spread * rng.standard_normal(shape)
    response /= response.mean(axis=1, keepdims=True)

    bad = _bad_elements(plan, shape)
    rng = generator(plan, "bad values")
    noise = plan.read_noise_counts * (1.0 + 0.03 * rng.standard_normal(shape))
    dark = np.where(bad.hot, dark + rng.uniform(250.0, 900.0, shape), dark)
    noise = np.where(bad.hot, 2.5 * noise, noise)
    noise = np.where(bad.noisy, rng.uniform(6.0, 12.0, shape) * noise, noise)
    stuck_at = np.where(bad.stuck, np.floor(rng.uniform(600.0, 2500.0, shape)), np.nan)
    return Elements(
        dark=_settled(dark),
        drift=_settled(np.broadcast_to(drift, shape)),
        read_noise=_settled(noise),
        response=_settled(response),
        stuck_at=stuck_at.astype(np.float32),
        bad=bad,
    )


def _settled(values: Array) -> Array32:
    """Rounded so that the last bits of sin and exp on another processor do not reach the counts."""
    return np.round(values, 5).astype(np.float32)


def _bad_elements(plan: FlightPlan, shape: tuple[int, int]) -> BadElements:
    """Scattered single elements, the four kinds disjoint."""
    size = shape[0] * shape[1]
    each = max(1, round(plan.bad_share * size)) if plan.bad_share > 0 else 0
    place = generator(plan, "bad elements").permutation(size)

    def mask(kind: int) -> Mask:
        flat = np.zeros(size, dtype=np.bool_)
        flat[place[kind * each : (kind + 1) * each]] = True
        return flat.reshape(shape)

    return BadElements(hot=mask(0), dead=mask(1), stuck=mask(2), noisy=mask(3))
