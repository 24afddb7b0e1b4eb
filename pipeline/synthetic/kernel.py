"""Reflectance and counts of a block of lines, compiled.

Noise: photoelectrons are Poisson distributed; a normal distribution of the same variance stands
for it. That is good above some 20 electrons a sample, and below that the read noise (some 8
electrons) is the larger part. One normal number carries read noise and photon noise together.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled.call import compiled
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


@compiled
def reflect(pixels: Pixels, spectra: Spectra, out: Array32) -> None:
    """True reflectance into `out` (line, band, sample)."""
    first, second, weight_first, weight_second, _ = pixels
    value, slope, shift = spectra
    lines, bands, samples = out.shape
    for i in range(lines):
        for b in range(bands):
            for s in range(samples):
                m, n, d = first[i, s], second[i, s], shift[s]
                one, other = value[b, m] + d * slope[b, m], value[b, n] + d * slope[b, n]
                out[i, b, s] = weight_first[i, s] * one + weight_second[i, s] * other


@compiled
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
    white, path, dark, drift, read_variance, stuck_at, electrons_per_count, full_scale = detector
    irradiance_ratio, age = lines
    count, bands, samples = out.shape
    half, zero = np.float32(0.5), np.float32(0.0)
    for i in range(count):
        for b in range(bands):
            ratio = irradiance_ratio[i, b]
            for s in range(samples):
                signal = white[b, s] * ratio * (light[i, s] * reflectance[i, b, s] + path[b])
                variance = read_variance[b, s] + max(signal, zero) / electrons_per_count
                value = (
                    dark[b, s] + age[i] * drift[b, s] + signal + noise[i, b, s] * np.sqrt(variance)
                )
                value = min(max(np.floor(value + half), zero), full_scale)
                if stuck_at[b, s] == stuck_at[b, s]:
                    value = stuck_at[b, s]
                out[i, b, s] = np.uint16(value)
