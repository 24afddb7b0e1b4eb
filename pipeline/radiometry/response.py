"""The smooth response across the swath, a lens's falloff, as the scene shows it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.radiometry.robust import MAD_TO_SIGMA
from pipeline.records import Array, Array32, Mask

#: Legendre polynomials that make a falloff, from the first order on: vignetting goes with cos^4 of
#: the view angle, which four orders follow to 0.1 % out to 25 degrees (own arithmetic).
ORDERS = 4
#: Samples below which no shape is sought: five unknowns want four times as many places.
LEAST_SAMPLES = 20
#: Standard errors from which a shape is taken for the camera's and not for the ground's.
SEEN_ERRORS = 1.5
#: Bands either side of a band whose median is its own: falloff is smooth in wavelength too.
_BAND_SHARE = 16
_MEDIAN = float(np.sqrt(np.pi / 2))


@dataclass(frozen=True, eq=False)
class SwathShape:
    """What the strips show of a response that changes smoothly across the swath."""

    by_band: Array  # (band, order) Legendre coefficients over the mean [1]
    by_band_error: Array  # (order,) their standard errors; inf where one strip alone
    common: Array  # (order,) those of a shape that all bands share, from the bands that tell most
    common_error: Array  # (order,); inf where one strip alone
    strips: int

    @property
    def seen(self) -> Array:
        """Size of the shared shape less what its own error makes of it, (order,) [1]; 0 in orders
        that the strips do not agree on (`SEEN_ERRORS`)."""
        clear = np.abs(self.common) > SEEN_ERRORS * self.common_error
        size = np.sqrt(np.maximum(self.common**2 - np.where(clear, self.common_error, 0) ** 2, 0))
        return np.where(clear, np.copysign(size, self.common), 0.0)


def modes(samples: int) -> Array:
    """Legendre polynomials of order 1 to `ORDERS` over the swath, of mean 0, (order, sample)."""
    place = (np.arange(samples) + 0.5) / samples * 2 - 1
    found = np.polynomial.legendre.legvander(place, ORDERS)[:, 1:].T
    return np.asarray(found - found.mean(axis=1, keepdims=True))


def projector(bad: Mask) -> Array32:
    """What takes a line's signals to level and shape by least squares, (band, 1 + order, sample).

    Parameters
    ----------
    bad : (band, sample), left out

    Returns
    -------
    float32; 0 in a band with fewer than `LEAST_SAMPLES` good samples.
    """
    bands, samples = bad.shape
    design = np.concatenate([np.ones((1, samples)), modes(samples)])
    made = np.zeros((bands, 1 + ORDERS, samples), np.float32)
    whole = np.linalg.pinv(design.T) if samples >= LEAST_SAMPLES else None
    for band in range(bands):
        good = ~bad[band]
        if good.all() and whole is not None:
            made[band] = whole
        elif good.sum() >= LEAST_SAMPLES:
            made[band][:, good] = np.linalg.pinv(design.T[good])
    return made


def line_shape(signal: Array, through: Array32) -> Array32:
    """Shape of one line, relative to its level, (band, order) [1].

    Parameters
    ----------
    signal : (band, sample) [count]; not finite, it counts as 0
    through : as from `projector`

    Returns
    -------
    float32; NaN in a band without light or without a projector.
    """
    known = np.where(np.isfinite(signal), signal, 0.0)
    terms = np.einsum("bks,bs->bk", through, known)
    level = np.where(terms[:, :1] > 0, terms[:, :1], np.nan)
    return np.asarray(terms[:, 1:] / level, np.float32)


def swath_shape(shapes: Sequence[Array32]) -> SwathShape:
    """The shape that all strips have in common.

    Parameters
    ----------
    shapes : (line, band, order) of each strip's lines

    Returns
    -------
    SwathShape. The ground's own gradients are in a strip's median; they differ from strip to strip
    (the more so where strips go both ways), so that the strips' scatter about their mean tells the
    standard error, by Student's t for as many strips. What all strips share is taken for the
    camera's. NaN lines and bands are passed over.

    Notes
    -----
    Common practice, no source. Medians over lines pass over objects in the scene.
    """
    known = [strip for strip in shapes if np.isfinite(strip).any()]
    orders = shapes[0].shape[2] if shapes else ORDERS
    bands = shapes[0].shape[1] if shapes else 0
    if not known:
        nothing, unknown = np.zeros((bands, orders)), np.full(orders, np.inf)
        return SwathShape(nothing, unknown, nothing.sum(axis=0), unknown, 0)
    with np.errstate(invalid="ignore"):
        middle = np.stack([_over_bands(_median(strip)) for strip in known])
        within = [
            (MAD_TO_SIGMA * _median(np.abs(strip - _median(strip)))) ** 2 / len(strip)
            for strip in known
        ]
    value = middle.mean(axis=0)
    n = len(known)
    if n < 2:
        unknown = np.full(orders, np.inf)
        return SwathShape(value, unknown, np.median(value, axis=0), unknown, n)
    variance = (middle.var(axis=0, ddof=1) + _MEDIAN**2 * np.mean(within, axis=0)) / n
    variance = np.maximum(variance, np.finfo(np.float32).eps ** 2)
    few = _few(n - 1)
    weight = 1 / variance
    # Bands see the same ground: their errors are taken to go wholly together.
    together = np.sqrt(weight).sum(axis=0) / weight.sum(axis=0)
    return SwathShape(
        value,
        np.sqrt(np.median(variance, axis=0)) * few,
        (weight * value).sum(axis=0) / weight.sum(axis=0),
        together * few,
        n,
    )


def _median(lines: Array32) -> Array:
    """Median over lines of what is known, 0 where nothing is, (band, order)."""
    known = np.isfinite(lines).any(axis=0)
    filled = np.where(known, lines, 0.0)
    return np.asarray(np.nanmedian(filled, axis=0), np.float64)


def _over_bands(value: Array) -> Array:
    """Running median over bands, (band, order)."""
    half = len(value) // (2 * _BAND_SHARE)
    padded = np.pad(value, ((half, half), (0, 0)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1, axis=0)
    return np.asarray(np.median(windows, axis=-1))


def _few(freedom: int) -> float:
    """What few degrees of freedom make of a standard error that 68.27 % lie within (Student)."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.841345))
