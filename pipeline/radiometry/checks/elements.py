"""Checks of the detector's elements: clipped, bad, striped."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry.checks.row import Limits, not_checked, percent, row
from pipeline.radiometry.limits import (
    FALLOFF_ERRORS,
    FALLOFF_TOLD,
    LIMITS,
    STRIPING_ERRORS,
)
from pipeline.radiometry.response import SwathShape, modes, response_of
from pipeline.radiometry.robust import MAD_TO_SIGMA, row_medians
from pipeline.records import Array, BadElements, Check

#: Standard error of a median over that of a mean, for normal scatter: sqrt(pi / 2).
_MEDIAN = math.sqrt(math.pi / 2)


def dark_clipped(clipped: Mapping[str, ArrayLike] | None, *, limits: Limits = LIMITS) -> Check:
    """Share of elements at zero counts in some frame; (band, sample) masks by capture."""
    share = {
        name: float(np.mean(np.asarray(mask, bool)))
        for name, mask in (clipped or {}).items()
        if np.size(mask)
    }
    if not share:
        return not_checked(limits, "dark-clipped", "no dark capture")
    name = max(share, key=lambda one: share[one])
    return row(
        limits,
        "dark-clipped",
        share[name],
        f"{percent(share[name])} of the elements touch zero counts in {name}",
        subject=name,
    )


def bad_elements(elements: BadElements | None, *, limits: Limits = LIMITS) -> Check:
    """Share of elements hot, dead, stuck or noisy."""
    if elements is None or not elements.any.size:
        return not_checked(limits, "bad-elements", "no dark capture to find them in")
    kinds = ", ".join(
        f"{int(getattr(elements, kind).sum())} {kind}" for kind in ("hot", "dead", "stuck", "noisy")
    )
    total = elements.any
    return row(
        limits,
        "bad-elements",
        float(total.mean()),
        f"{int(total.sum())} of {total.size} elements ({percent(float(total.mean()))}) are "
        f"bad: {kinds}",
    )


def stripe_profile(signal: ArrayLike) -> tuple[Array, Array]:
    """Each sample's departure from its neighbours, relative, with its standard error.

    Parameters
    ----------
    signal : (band, sample) [any linear unit] mean over lines of a panel or flat, corrected

    Returns
    -------
    Two (sample,) arrays: the median over bands of the departure from a running median over 7
    samples, a straight slope taken out first; and its standard error from the scatter over bands.
    NaN where no band measures, and everywhere below 7 samples.
    """
    level = np.array(signal, np.float64)
    samples = level.shape[1]
    nothing = np.full(samples, math.nan)
    measured = np.isfinite(level)
    usable = measured.mean(axis=1) > 0.5
    if samples < 7 or not usable.any():
        return nothing, nothing.copy()
    level, measured = level[usable], measured[usable]
    middle = row_medians(level)[:, None]
    relative = np.divide(level, middle, out=np.full_like(level, math.nan), where=middle > 0)
    relative[~measured] = math.nan
    # A bad element takes its neighbours' level, so that it does not shift their running median.
    x = np.linspace(-1, 1, samples)
    for one in relative:
        good = np.isfinite(one)
        if good.sum() > 2:
            one -= np.polyval(np.polyfit(x[good], one[good], 1), x)
    filled = np.where(np.isfinite(relative), relative, 0.0)
    departure = relative - _running_median(filled)
    count = np.isfinite(departure).sum(axis=0)
    if not count.any():
        return nothing, nothing.copy()
    value, error = nothing, nothing.copy()
    seen = count > 0
    value[seen] = row_medians(departure[:, seen].T)
    scatter = MAD_TO_SIGMA * row_medians(np.abs(departure[:, seen] - value[seen]).T)
    error[seen] = _MEDIAN * scatter / np.sqrt(count[seen])
    return value, error


def _running_median(rows: Array) -> Array:
    """Median over 7 samples of each row, the outermost sample repeated beyond the edges."""
    beyond = np.pad(rows, ((0, 0), (3, 3)), mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(beyond, 7, 1), axis=-1))


def striping(signal: ArrayLike | None, *, subject: str = "", limits: Limits = LIMITS) -> Check:
    """Worst sample's departure from its neighbours (`stripe_profile`); samples count from 0."""
    departure, error = np.empty(0), np.empty(0)
    if signal is not None:
        departure, error = stripe_profile(signal)
    if not np.isfinite(departure).any():
        return not_checked(
            limits, "striping", "no panel or flat of 7 samples or more", subject=subject
        )
    size = np.where(np.isfinite(departure), np.abs(departure), -1.0)
    proved = size > STRIPING_ERRORS * np.where(np.isfinite(error), error, math.inf)
    worst = int(np.lexsort((size, proved))[-1])
    says = (
        f"sample {worst} departs by {100 * departure[worst]:+.2f} % (standard error "
        f"{100 * error[worst]:.2f} %) from its neighbours"
    )
    return row(
        limits, "striping", float(size[worst]), says, subject=subject, counts=bool(proved[worst])
    )


def flat_sound(unsound: ArrayLike | None, *, limits: Limits = LIMITS) -> Check:
    """Share of a flat's elements that it cannot tell; (band, sample), None without a flat."""
    if unsound is None or not np.size(unsound):
        return not_checked(limits, "flat-sound", "no flat was recorded")
    share = float(np.mean(np.asarray(unsound, bool)))
    says = (
        f"{percent(share)} of the flat's elements are saturated, without light, or unlike their "
        "neighbours"
    )
    return row(limits, "flat-sound", share, says)


def falloff(
    shape: SwathShape | None,
    samples: int,
    *,
    flat: bool = False,
    limits: Limits = LIMITS,
) -> Check:
    """Smooth departure from level across the swath that all strips share.

    `shape` is after the response that is used, which came from a flat where `flat` is true.
    """
    if shape is None or not shape.known:
        return not_checked(
            limits,
            "falloff",
            "one strip, too few pixels or too narrow a swath to tell a lens's falloff from the "
            "ground",
            do="Record a flat where the lens loses light towards the swath's ends",
        )
    departure = response_of(shape.common, samples) - 1
    error = np.sqrt(shape.common_error**2 @ modes(samples) ** 2)
    worst = int(np.abs(departure).argmax())
    size = float(abs(departure[worst]))
    says = (
        f"at sample {worst} the strips' mean departs by {100 * departure[worst]:+.1f} % (standard "
        f"error {100 * error[worst]:.1f} %) from level"
    )
    counts = size > FALLOFF_ERRORS * float(error[worst])
    if not counts and FALLOFF_ERRORS * float(error[worst]) > FALLOFF_TOLD:
        return not_checked(
            limits, "falloff", f"{says}: too uncertain to tell a lens's falloff from the ground"
        )
    do = "The flat no longer fits this lens: record a new one" if flat else ""
    return row(limits, "falloff", size, says, do=do, counts=counts)
