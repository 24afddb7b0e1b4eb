"""Bad detector elements: hot, noisy and stuck from darks, dead and stuck from light.

Every element is judged against its neighbours in the same band. Robust sigmas are 1.4826 times the
median absolute deviation. Limits are common practice unless said otherwise.
"""

from __future__ import annotations

import numpy as np

from pipeline.radiometry.distributions import normal_within
from pipeline.radiometry.robust import MAD_TO_SIGMA, row_medians, running_median
from pipeline.records import Array, BadElements, DarkCapture, Mask

#: An element this many robust sigmas from its neighbours is bad in the dark.
DARK_Z = 6.0
#: ... and for hot elements this many counts above them: less is not worth losing a sample for.
HOT_MARGIN_COUNTS = 10.0
#: ... and for noisy elements this many times their noise.
NOISY_RATIO = 1.5
#: Noise below this share of the neighbours' is none.
STUCK_RATIO = 0.05
#: An element is called stuck only where the neighbours' noise makes chance less likely than this.
STUCK_CHANCE = 1e-6
#: Response below this share of what the neighbours predict is dead.
DEAD_RATIO = 0.5
#: ... and this many robust sigmas below.
DEAD_Z = 8.0
#: A whole sample is dead when it is low in at least this share of the bands.
COLUMN_SHARE = 0.9
#: Where neighbours predict a smaller signal, nothing is decided [count].
LEAST_SIGNAL_COUNTS = 5.0
#: Neighbours in the light must vary at least this much from line to line [count].
LEAST_LIGHT_NOISE_COUNTS = 1.0

_REACH = 3
_SIDE = 4


def _spread(residual: Array) -> Array:
    """Robust sigma over the samples of each band, (band, 1)."""
    return MAD_TO_SIGMA * row_medians(np.abs(residual))[:, None]


def bad_in_dark(dark: DarkCapture) -> BadElements:
    """Hot, noisy and stuck elements of a dark capture.

    Parameters
    ----------
    dark : mean and temporal noise (band, sample) [count]; an element with a NaN mean is stuck

    Returns
    -------
    BadElements with no dead ones; noisy and stuck need two frames at least.

    Notes
    -----
    Hot: the mean lies more than `DARK_Z` robust sigmas of the band and `HOT_MARGIN_COUNTS` above
    the running median over samples, after a sample's offset common to all bands is taken out; a
    sample whose common offset is as far off is hot in all bands. Noisy: likewise in noise, with
    `NOISY_RATIO`. Stuck: no temporal noise, where that many frames of the neighbours' noise would
    not round to one count by chance (`STUCK_CHANCE`), and where being clipped at zero does not
    explain it.
    """
    mean = dark.mean.astype(np.float64)
    noise = dark.noise.astype(np.float64)
    local = running_median(mean)
    residual = mean - local
    column = np.nan_to_num(row_medians(np.ascontiguousarray(residual.T)))
    column_sigma = max(MAD_TO_SIGMA * float(np.median(np.abs(column))), HOT_MARGIN_COUNTS / DARK_Z)
    residual = residual - column
    sigma = _spread(residual)
    hot = (residual > np.maximum(DARK_Z * sigma, HOT_MARGIN_COUNTS)) | (
        column > DARK_Z * column_sigma
    )

    local_noise = running_median(noise)
    excess = noise - local_noise
    noise_sigma = np.maximum(_spread(excess), 0.02 * local_noise + 0.02)
    noisy = (excess > DARK_Z * noise_sigma) & (noise > NOISY_RATIO * local_noise)

    # Chance that one frame of the neighbours' noise rounds to the most likely count.
    true_noise = np.sqrt(np.maximum(local_noise**2 - 1 / 12, 1e-6))
    alike = normal_within(0.5 / true_noise)
    telling = alike ** max(dark.frames_used - 1, 0) < STUCK_CHANCE
    explained = dark.clipped & (local - DARK_Z * sigma < 3 * local_noise)
    stuck = (noise < STUCK_RATIO * local_noise) & telling & ~explained
    return BadElements(hot=hot, dead=np.zeros_like(hot), stuck=stuck | np.isnan(mean), noisy=noisy)


def bad_in_light(signal_mean: Array, *, temporal_sd: Array | None = None) -> tuple[Mask, Mask]:
    """Dead elements, and those stuck in light only.

    Parameters
    ----------
    signal_mean : (band, sample) [count], mean signal over panels' or scene lines; NaN where unknown
        (give elements already known as bad as NaN)
    temporal_sd : (band, sample) [count], standard deviation over the same lines

    Returns
    -------
    (dead, stuck), each (band, sample). Where less than `LEAST_SIGNAL_COUNTS` is to be expected, or
    a band's neighbours predict badly, nothing is decided and nothing called dead.

    Notes
    -----
    Each band is scaled by its median over samples, which takes out lamp, sensor and absorption
    bands; what an element should read then follows from the median of the three bands on either
    side at the same sample, where scene structure is the same. Dead: below `DEAD_RATIO` of it, by
    more than `DEAD_Z` robust sigmas. A whole dead sample has no good neighbours of that kind: it is
    found by being low against the four samples on either side in `COLUMN_SHARE` of the bands.
    """
    signal = np.asarray(signal_mean, dtype=np.float64)
    bands, samples = signal.shape
    typical = row_medians(signal)
    decides = np.nan_to_num(typical) >= LEAST_SIGNAL_COUNTS
    ratio = np.full(signal.shape, np.nan)
    ratio[decides] = signal[decides] / typical[decides, None]

    padded = np.full((bands + 2 * _REACH, samples), np.nan)
    padded[_REACH:-_REACH] = ratio
    shifts = [k for k in range(2 * _REACH + 1) if k != _REACH]
    expected = row_medians(np.stack([padded[k : k + bands] for k in shifts], axis=-1))
    predicted = np.nan_to_num(expected * np.where(decides, typical, np.nan)[:, None])
    usable = predicted >= LEAST_SIGNAL_COUNTS
    relative = np.where(usable, ratio / np.where(usable, expected, 1.0), np.nan)
    short = 1.0 - relative
    centre = row_medians(short)[:, None]
    sigma = np.maximum(_spread(short - centre), 1e-3)
    with np.errstate(invalid="ignore"):
        dead = (relative < DEAD_RATIO) & (short - centre > DEAD_Z * sigma)
    dead |= _dead_columns(ratio)[None, :] & decides[:, None]

    stuck = np.zeros_like(dead)
    if temporal_sd is not None:
        sd = np.asarray(temporal_sd, dtype=np.float64)
        local = running_median(sd, 9)
        with np.errstate(invalid="ignore"):
            stuck = (sd < STUCK_RATIO * local) & (local >= LEAST_LIGHT_NOISE_COUNTS)
    return dead, stuck


def _dead_columns(ratio: Array) -> Mask:
    """Samples that are low against both sides in nearly all bands that decide, (sample,).

    In nearly all, since a dark strip of the scene is not equally dark at all wavelengths.
    """
    bands, samples = ratio.shape
    edge = np.full((bands, _SIDE), np.nan)
    padded = np.concatenate([edge, ratio, edge], axis=1)
    left = row_medians(np.stack([padded[:, k : k + samples] for k in range(_SIDE)], axis=-1))
    after = range(_SIDE + 1, 2 * _SIDE + 1)
    right = row_medians(np.stack([padded[:, k : k + samples] for k in after], axis=-1))
    lower = np.fmin(left, right)
    judged = np.isfinite(ratio) & np.isfinite(lower)
    with np.errstate(invalid="ignore"):
        low = judged & (ratio < DEAD_RATIO * lower)
    return np.asarray(low.any(axis=0) & (low.sum(axis=0) >= COLUMN_SHARE * judged.sum(axis=0)))


def merge(*parts: BadElements) -> BadElements:
    """Union, kind by kind."""
    hot, dead, stuck, noisy = (
        np.logical_or.reduce([getattr(part, kind) for part in parts])
        for kind in ("hot", "dead", "stuck", "noisy")
    )
    return BadElements(hot=hot, dead=dead, stuck=stuck, noisy=noisy)
