"""Relative response from a capture of a uniform target."""

from __future__ import annotations

import numpy as np

from pipeline.records import Array, FlatField, Mask

#: Bands whose mean is below this many times the noise of the mean tell nothing. Common practice.
LEAST_SIGNAL_TO_NOISE = 10.0
#: Standard uncertainty of a response that could not be measured: the usual photo-response
#: non-uniformity of one to two per cent. Common practice, no source.
UNMEASURED_UNCERTAINTY = 0.02


def flat_field(mean_signal: Array, noise: Array, frames: int, bad: Mask) -> FlatField:
    """Relative response of the elements, mean 1 across the good samples of each band.

    Parameters
    ----------
    mean_signal : (band, sample) [count], mean of the flat's lines, dark subtracted
    noise : (band, sample) [count], temporal standard deviation of one line
    frames : lines averaged, one at least
    bad : (band, sample), left out of the mean

    Returns
    -------
    FlatField, float32. Bad elements and those of no positive finite signal get response 1 and
    uncertainty 0. A band whose mean signal is below `LEAST_SIGNAL_TO_NOISE` times the typical
    noise of an element's mean gets 1 with `UNMEASURED_UNCERTAINTY`.

    Notes
    -----
    f = S / mean over samples of S; u(f) = u(S) / mean. Division by the mean adds 1/samples of
    that, which is left out. The target is taken as uniform: its own shading goes into f.
    """
    signal = np.asarray(mean_signal, dtype=np.float64)
    error = np.asarray(noise, dtype=np.float64) / np.sqrt(max(frames, 1))
    with np.errstate(invalid="ignore"):
        good = ~bad & np.isfinite(signal) & np.isfinite(error) & (signal > 0)
    n = good.sum(axis=1, keepdims=True)
    count = np.maximum(n, 1)
    mean = np.where(good, signal, 0.0).sum(axis=1, keepdims=True) / count
    typical = np.sqrt(np.where(good, error**2, 0.0).sum(axis=1, keepdims=True) / count)
    bright = (n > 0) & (mean >= LEAST_SIGNAL_TO_NOISE * typical) & (mean > 0)
    scale = np.where(bright, mean, 1.0)
    measured = good & bright
    response = np.where(measured, signal / scale, 1.0)
    uncertainty = np.where(measured, error / scale, 0.0)
    uncertainty = np.where(~bright & ~bad, UNMEASURED_UNCERTAINTY, uncertainty)
    return FlatField(response.astype(np.float32), uncertainty.astype(np.float32))
