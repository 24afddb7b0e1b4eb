"""Relative response from a capture of a uniform target."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.radiometry.robust import MAD_TO_SIGMA
from pipeline.records import Array, FlatField, Mask

#: Bands whose mean is below this many times the noise of the mean tell nothing. Common practice.
LEAST_SIGNAL_TO_NOISE = 10.0
#: Standard uncertainty of a response that could not be measured: the usual photo-response
#: non-uniformity of one to two per cent. Common practice, no source.
UNMEASURED_UNCERTAINTY = 0.02
#: An element saturated in more than this share of a flat's lines has a wrong mean there.
SATURATED_SHARE = 0.01
#: Elements that differ from the median of so many neighbours on either side by more than half of
#: it measure something else: dirt on the target or the slit (own arithmetic).
UNLIKE = 0.5
_NEIGHBOURS = 3
_PAIR_Z = 6.0


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


def without_response(
    mean_signal: Array, noise: Array, frames: int, bad: Mask, saturated_share: Array
) -> Mask:
    """Elements whose response a flat cannot give: no light on them, or too much.

    Parameters
    ----------
    mean_signal, noise, frames, bad : as for `flat_field`
    saturated_share : (band, sample) share of the flat's lines in which the element is saturated

    Returns
    -------
    (band, sample). Saturated in more than `SATURATED_SHARE` of the lines; or, in a band whose
    median signal is `LEAST_SIGNAL_TO_NOISE` times its noise or more, of no positive finite signal,
    or unlike its neighbour samples' median by more than `UNLIKE`.
    """
    error = np.asarray(noise, dtype=np.float64) / np.sqrt(max(frames, 1))
    known = np.where(bad | ~np.isfinite(mean_signal), np.nan, mean_signal)
    lit = np.zeros(len(known), np.bool_)
    for band in np.flatnonzero(np.isfinite(known).any(axis=1)):
        typical = np.nanmedian(np.where(np.isfinite(known[band]), error[band], np.nan))
        lit[band] = np.nanmedian(known[band]) >= LEAST_SIGNAL_TO_NOISE * max(typical, 1e-12)
    with np.errstate(invalid="ignore"):
        dark = lit[:, None] & ~(mean_signal > 0)
        beside = _beside(known)
        unlike = lit[:, None] & (np.abs(mean_signal - beside) > UNLIKE * np.abs(beside))
    return np.asarray(~bad & (dark | unlike | (saturated_share > SATURATED_SHARE)))


def _beside(known: Array) -> Array:
    """Median of each sample's neighbours, itself left out, (band, sample); NaN are passed over."""
    padded = np.pad(known, ((0, 0), (_NEIGHBOURS, _NEIGHBOURS)), constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * _NEIGHBOURS + 1, axis=1)
    others = np.delete(windows, _NEIGHBOURS, axis=2)
    ranked = np.sort(others, axis=2)  # NaN last
    count = np.isfinite(others).sum(axis=2)
    low, high = np.maximum(count - 1, 0) // 2, count // 2
    pair = [np.take_along_axis(ranked, at[..., None], 2)[..., 0] for at in (low, high)]
    return np.where(count > 0, (pair[0] + pair[1]) / 2, np.nan)


def response_spread(profile: Sequence[Array], variance: Sequence[Array]) -> float:
    """Relative standard deviation of the elements' response, seen on panels without a flat.

    Parameters
    ----------
    profile : (band, sample) [count] of each panel, mean signal over its lines; NaN is passed over
        (bad elements, saturated bands)
    variance : alike [count^2], what noise and the dark's uncertainty give that mean

    Returns
    -------
    One number for all bands [1], 0 where no three neighbouring samples measure or where noise
    explains all. Texture of the panels is in it.

    Notes
    -----
    A sixth of the mean square second difference of neighbouring samples, which gradients of light
    and lens do not reach, less what noise gives, over the mean square signal; places farther off
    than `_PAIR_Z` robust sigmas are left out. Response from element to element is random (EMVA 1288
    R4.0, PRNU), so that one sample stands for another.
    """
    excess = power = 0.0
    for mean, own in zip(profile, variance, strict=True):
        seen = np.isfinite(mean)
        total = np.where(seen, mean, 0.0).sum(axis=1, keepdims=True)
        level = total / np.maximum(seen.sum(axis=1, keepdims=True), 1)
        difference = np.diff(mean, 2, axis=1)
        expected = own[:, 2:] + 4 * own[:, 1:-1] + own[:, :-2]
        with np.errstate(invalid="ignore"):
            relative = np.abs(difference) / np.where(level > 0, level, np.nan)
            known = np.isfinite(relative) & np.isfinite(expected) & (level > 0)
        if not known.any():
            continue
        far = _PAIR_Z * MAD_TO_SIGMA * float(np.median(relative[known]))
        known &= relative <= max(far, 1e-12)
        excess += float(np.where(known, difference**2 - expected, 0.0).sum())
        power += float(np.where(known, 6 * level**2, 0.0).sum())
    return float(np.sqrt(max(excess, 0.0) / power)) if power > 0 else 0.0
