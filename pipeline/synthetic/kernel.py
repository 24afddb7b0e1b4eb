"""Reflectance and counts of a block of lines, compiled.

Noise: photoelectrons are Poisson distributed; a normal distribution of the same variance stands
for it. That is good above some 20 electrons a sample, and below that the read noise (some 8
electrons) is the larger part. One normal number carries read noise and photon noise together.
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from pipeline.records import Array32


class Pixels(NamedTuple):
    """Make-up of pixels: reflectance = weight_first * first + weight_second * second."""

    first: NDArray[np.uint8]  # (line, sample), row of `Spectra.value`
    second: NDArray[np.uint8]
    weight_first: Array32  # (line, sample)
    weight_second: Array32
    light: Array32  # (line, sample), light on the pixel over light on level ground


class Spectra(NamedTuple):
    """Reflectance of what the ground is made of."""

    value: Array32  # (band, material)
    slope: Array32  # (band, material) [1/nm]
    shift: Array32  # (sample,) [nm], centre less the mean centre


class Detector(NamedTuple):
    """What the elements do with light and without."""

    white: Array32  # (band, sample) [count], signal of an ideal white surface
    path: Array32  # (band,) [1], path signal as reflectance
    dark: Array32  # (band, sample) [count]
    drift: Array32  # (band, sample) [count]
    read_variance: Array32  # (band, sample) [count2]
    stuck_at: Array32  # (band, sample) [count], NaN where not stuck
    electrons_per_count: np.float32
    full_scale: np.float32


class Lines(NamedTuple):
    """What changes from line to line."""

    irradiance_ratio: Array32  # (line, band); zero under the cap
    age: Array32  # (line,), 0 at the first dark capture's middle, 1 at the last one's


@numba.njit(nogil=True, cache=True)
def reflect(pixels: Pixels, spectra: Spectra, out: Array32) -> None:
    """True reflectance into `out` (line, band, sample)."""
    lines, bands, samples = out.shape
    for i in range(lines):
        for b in range(bands):
            for s in range(samples):
                m, n = pixels.first[i, s], pixels.second[i, s]
                d = spectra.shift[s]
                out[i, b, s] = pixels.weight_first[i, s] * (
                    spectra.value[b, m] + d * spectra.slope[b, m]
                ) + pixels.weight_second[i, s] * (spectra.value[b, n] + d * spectra.slope[b, n])


@numba.njit(nogil=True, cache=True)
def expose(
    reflectance: Array32,
    light: Array32,
    detector: Detector,
    lines: Lines,
    noise: Array32,
    out: NDArray[np.uint16],
) -> None:
    """Raw counts into `out` (line, band, sample).

    Parameters
    ----------
    reflectance : (line, band, sample), values below zero give no photon noise
    light : (line, sample)
    noise : (line, band, sample), standard normal

    Counts are rounded to the nearest and clipped to zero and full scale. Stuck elements give
    their count whatever falls on them.
    """
    count, bands, samples = out.shape
    half, zero = np.float32(0.5), np.float32(0.0)
    for i in range(count):
        age = lines.age[i]
        for b in range(bands):
            path, ratio = detector.path[b], lines.irradiance_ratio[i, b]
            for s in range(samples):
                signal = detector.white[b, s] * ratio * (light[i, s] * reflectance[i, b, s] + path)
                variance = (
                    detector.read_variance[b, s] + max(signal, zero) / detector.electrons_per_count
                )
                value = (
                    detector.dark[b, s]
                    + age * detector.drift[b, s]
                    + signal
                    + noise[i, b, s] * np.sqrt(variance)
                )
                value = min(max(np.floor(value + half), zero), detector.full_scale)
                if detector.stuck_at[b, s] == detector.stuck_at[b, s]:
                    value = detector.stuck_at[b, s]
                out[i, b, s] = np.uint16(value)
