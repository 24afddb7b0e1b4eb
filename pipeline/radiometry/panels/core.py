"""A reference panel's signal: the mean of its core, with the uncertainty of that mean."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.radiometry.robust import MAD_TO_SIGMA
from pipeline.records import Array, Mask

#: A panel with more than this share of saturated samples in a band leaves that band's fit: what
#: is left of its distribution is cut from above. Common practice.
SATURATED_SHARE_LEAVES_FIT = 0.01
#: Pixels that a core should keep. Common practice: 10 x 10.
CORE_PIXELS = 100
#: A pixel this many robust sigmas from the core's median level is no part of the panel.
OUTLYING_Z = 5.0
#: ... unless that takes more than this share of the core, which then is simply not uniform.
OUTLYING_SHARE = 0.2
#: Texture below this share of the level is never outlying.
LEAST_TEXTURE = 0.002

_LAGS = 3

Span = tuple[int, int]


@dataclass(frozen=True, eq=False)
class CoreReading:
    """What a core says; the fields of a PanelReading that are measured."""

    core: Mask  # (line, sample) pixels used
    outlying: int  # pixels left out as not the panel's
    signal: Array  # (band,) [count]; NaN where nothing measures
    uncertainty: Array  # (band,) [count], standard: scatter and dark
    dark_uncertainty: Array  # (band,) [count]
    saturated_share: Array  # (band,) share of the core's samples on elements that measure
    uniformity: Array  # (band,) [1]
    peak_counts: float  # largest mean raw count over bands


#: Pixels off each side of a panel's window, where panel and ground mix (common practice, 2 to 3).
TRIM = 2


def core_window(lines: Span, samples: Span, trim: int = TRIM) -> tuple[Span, Span]:
    """Window without its edges, where panel and ground mix.

    Parameters
    ----------
    lines, samples : half-open
    trim : pixels off each side

    Returns
    -------
    (lines, samples), half-open. Where fewer than `CORE_PIXELS` would be left the trim is reduced,
    to zero if need be.
    """
    for t in range(trim, 0, -1):
        height, width = lines[1] - lines[0] - 2 * t, samples[1] - samples[0] - 2 * t
        if height > 0 and width > 0 and height * width >= CORE_PIXELS:
            return (lines[0] + t, lines[1] - t), (samples[0] + t, samples[1] - t)
    return lines, samples


def read_panel(
    signal: NDArray[Any],
    saturated: Mask,
    bad: Mask,
    dark_uncertainty: NDArray[Any],
    *,
    raw: NDArray[Any],
) -> CoreReading:
    """Mean signal of a panel's core per band and the standard uncertainty of that mean.

    Parameters
    ----------
    signal : (line, band, sample) [count], the core window, dark subtracted; NaN is left out
    saturated : alike, left out and counted
    bad : (band, sample), left out
    dark_uncertainty : (band, sample) [count], standard, of the mean dark
    raw : (line, band, sample) [count], for the peak, saturated samples included

    Returns
    -------
    CoreReading; NaN in bands where no sample is left.

    Notes
    -----
    Neighbours on a panel are not independent: light flickers from line to line, elements differ
    from sample to sample, and texture is smeared over pixels. With line effects, sample effects
    and a remainder, u^2 = s_line^2 I_l/n_line + s_sample^2 I_s/n_sample - s_res^2 I_l I_s/n, never
    below the last term, is the variance of the mean of a two-way random layout (Searle, Casella
    and McCulloch 1992, Variance Components, ch. 4). I_l and I_s, at least 1, are
    1 + 2 (r1 + r2 + r3) of the remainder's autocorrelation along lines and along samples (Bayley
    and Hammersley 1946): the means of lines hold what is smeared along samples already, and the
    other way round. The dark's part is common to all lines and independent from element to
    element: it averages over samples alone.

    Uniformity is the standard deviation of the 3 x 3 running mean over the core, less what white
    noise would give and two standard errors of that, over the mean.
    """
    x = np.asarray(signal, dtype=np.float64)
    valid = np.isfinite(x) & ~saturated & ~bad
    x = np.where(valid, x, 0.0)
    core, outlying = _core_pixels(x, valid)
    valid &= core[:, None, :]
    w = valid.astype(np.float64)
    n = w.sum(axis=(0, 2))
    some = n > 0
    mean = np.where(some, np.einsum("lbs,lbs->b", w, x) / np.maximum(n, 1), np.nan)

    deviation = w * (x - np.nan_to_num(mean)[:, None])
    variance = _variance_of_mean(deviation, w, n)
    share = w.sum(axis=0) / np.maximum(n, 1)[:, None]  # (band, sample)
    u_dark = np.sqrt(((share * np.where(share > 0, dark_uncertainty, 0.0)) ** 2).sum(axis=1))

    measuring = core[:, None, :] & ~bad
    of = measuring.sum(axis=(0, 2))
    peaks = np.where(measuring, raw, 0.0).sum(axis=(0, 2)) / np.maximum(of, 1)
    return CoreReading(
        core=core,
        outlying=outlying,
        signal=mean,
        uncertainty=np.where(some, np.sqrt(variance + u_dark**2), np.nan),
        dark_uncertainty=np.where(some, u_dark, np.nan),
        saturated_share=(measuring & saturated).sum(axis=(0, 2)) / np.maximum(of, 1),
        uniformity=_uniformity(deviation, w, mean),
        peak_counts=float(peaks.max()) if of.any() else float("nan"),
    )


def _core_pixels(x: Array, valid: Mask) -> tuple[Mask, int]:
    """Pixels whose level over all bands is the panel's, and how many are not.

    A pixel's level is its sum over the bands that measure, over the same sum of the panel's band
    means, so that a saturated band does not make its pixel stand out.
    """
    n = valid.sum(axis=(0, 2))
    typical = np.maximum(x.sum(axis=(0, 2)) / np.maximum(n, 1), 0.0)
    weight = np.einsum("lbs,b->ls", valid, typical)
    seen = weight > 0
    level = np.where(valid, x, 0.0).sum(axis=1) / np.where(seen, weight, 1.0)
    if not seen.any():
        return np.ones(seen.shape, dtype=np.bool_), 0
    middle = float(np.median(level[seen]))
    off = np.abs(level - middle)
    sigma = max(MAD_TO_SIGMA * float(np.median(off[seen])), LEAST_TEXTURE * abs(middle))
    out = seen & (off > OUTLYING_Z * sigma)
    if out.sum() > OUTLYING_SHARE * seen.sum():
        out = np.zeros_like(out)
    return ~out, int(out.sum())


def _variance_of_mean(deviation: Array, w: Array, n: Array) -> Array:
    """Variance of the mean by two-way decomposition, (band,). Deviations are 0 where w is."""
    in_line, in_sample = w.sum(axis=2), w.sum(axis=0)  # (line, band), (band, sample)
    line = deviation.sum(axis=2) / np.maximum(in_line, 1)
    sample = deviation.sum(axis=0) / np.maximum(in_sample, 1)
    n_line, n_sample = (in_line > 0).sum(axis=0), (in_sample > 0).sum(axis=1)
    s_line = (line**2).sum(axis=0) / np.maximum(n_line - 1, 1)
    s_sample = (sample**2).sum(axis=1) / np.maximum(n_sample - 1, 1)
    residual = w * (deviation - line[:, :, None] - sample)
    dof = np.maximum(n - n_line - n_sample + 1, 1)
    s_res = (residual**2).sum(axis=(0, 2)) / dof
    many = np.maximum(n, 1)
    by_line, by_sample = _inflation(residual, w, axis=0), _inflation(residual, w, axis=2)
    independent = s_res / many * by_line * by_sample
    lines = s_line / np.maximum(n_line, 1) * by_line
    samples = s_sample / np.maximum(n_sample, 1) * by_sample
    return np.asarray(np.maximum(lines + samples - independent, independent))


def _inflation(residual: Array, w: Array, *, axis: int) -> float:
    """1 + 2 (r1 + r2 + r3) along an axis, pooled over bands of equal say, at least 1."""
    r, v = np.moveaxis(residual, axis, 0), np.moveaxis(w, axis, 0)
    other = (0, 2) if axis == 0 else (0, 1)
    power = (r * r).sum(axis=other) / np.maximum(v.sum(axis=other), 1)
    telling = power > 0
    if not telling.any():
        return 1.0
    total = 0.0
    for lag in range(1, min(_LAGS, len(r) - 1) + 1):
        product = (r[lag:] * r[:-lag]).sum(axis=other)
        pairs = (v[lag:] * v[:-lag]).sum(axis=other)
        rho = product[telling] / np.maximum(pairs[telling], 1) / power[telling]
        total += float(rho.mean())
    return max(1.0, 1.0 + 2.0 * total)


def _box(values: Array) -> Array:
    """Sums over 3 x 3 pixels, cut off at the window's edges; (line, band, sample)."""
    out = values.copy()
    out[1:] += values[:-1]
    out[:-1] += values[1:]
    rows = out.copy()
    out[:, :, 1:] += rows[:, :, :-1]
    out[:, :, :-1] += rows[:, :, 1:]
    return out


def _uniformity(deviation: Array, w: Array, mean: Array) -> Array:
    """Spread of the 3 x 3 running mean beyond white noise, over the mean, (band,)."""
    count = _box(w)
    smooth = _box(deviation) / np.maximum(count, 1)
    kept = w * (count >= min(5, int(count.max())))  # corners and holes average too little
    n = np.maximum(kept.sum(axis=(0, 2)), 1)
    centred = smooth - (kept * smooth).sum(axis=(0, 2))[:, None] / n[:, None]
    spread = (kept * centred**2).sum(axis=(0, 2)) / n
    inverse = 1.0 / np.maximum(count, 1)
    rough = (kept * (deviation - smooth) ** 2).sum(axis=(0, 2))
    noise = rough / np.maximum((kept * (1 - inverse)).sum(axis=(0, 2)), 1e-9)
    left = noise * (kept * inverse).sum(axis=(0, 2)) / n
    boxes = np.maximum(n / 9, 1)
    excess = np.maximum(spread - left * (1 + 2 * np.sqrt(2 / boxes)), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(mean > 0, np.sqrt(excess) / mean, np.nan)
