"""Which patches are which panels: signals that stand to each other as the certificates do."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.records import Array, Mask

#: Relative departures from the certificates expected of good panels: of a panel's level (aside
#: from its certificate's uncertainty) and of its spectral shape. Common practice.
LEVEL = 0.02
SHAPE = 0.015
#: Departures beyond which a patch is not the panel: a tilted or dirty one is still found, and
#: the checks then say so.
WORST_LEVEL = 0.12
WORST_SHAPE = 0.06
#: Dark left over [count]: keeps groups with little signal from deciding.
FLOOR_COUNTS = 0.5
#: A set within this many times the best one's cost, or this much above it, fits nearly as well.
RIVAL_FACTOR = 2.0
RIVAL_ABOVE = 2.0
#: Sets worth comparing; more are ambiguous in any case.
MOST_SETS = 2000

_STEADY = (-0.002, 0.0, 0.002, 0.004, 0.007, 0.011, 0.016, 0.022)
_BLUE = (0.0, 0.0015, 0.003, 0.005, 0.008, 0.012, 0.018)


@dataclass(frozen=True, eq=False)
class PanelSet:
    """One patch a panel, and how well they fit together."""

    choice: tuple[int, ...]  # index of the patch, by panel
    cost: float  # the worst panel's root mean square departure over the one expected
    level: Array  # (panel,) relative departure from the certificate
    shape: Array  # (panel,) the same over the groups, less its mean, root mean square
    white: Array  # (group,) [count] signal of a perfect reflector; NaN where unknown

    @property
    def fits(self) -> bool:
        """Whether every panel is within the worst that is believed of one."""
        return math.isfinite(self.cost)


def offsets(wavelength_nm: Array) -> Array:
    """Path signals to try, as reflectance, (trial, group): a steady and a blue part.

    The blue part falls with the square of the wavelength, between haze and molecules; the steady
    part stands for stray light and a dark slightly off.
    """
    blue = (np.asarray(wavelength_nm, np.float64) / 550.0) ** -2.0
    return np.array([s + b * blue for s in _STEADY for b in _BLUE])


def judge(
    signal: Array, uncertainty: Array, reflectance: Array, certificate: Array, offset: Array
) -> PanelSet:
    """How well patches fit panels, one to one and in the same order.

    Parameters
    ----------
    signal, uncertainty : (panel, group) [count]; NaN is left out
    reflectance : (panel, group) of the certificates
    certificate : (panel,) relative standard uncertainty of the certificates
    offset : (trial, group) path signals to try; the best is taken

    Returns
    -------
    PanelSet of choice 0, 1, ...; cost infinite where a panel departs by more than `WORST_LEVEL`
    and three certificate uncertainties in level, or `WORST_SHAPE` in shape, or where fewer than a
    third of the groups can be compared.

    Notes
    -----
    signal = white x (reflectance + offset) with one white in each group. Taking the mean over
    panels out of the logarithms takes white out; the mean over groups of what is left is a
    panel's level, the rest its shape.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        log_signal = np.log(np.where(signal > 0, signal, np.nan))
        relative = np.hypot(uncertainty, FLOOR_COUNTS) / signal
        apparent = reflectance + offset[:, None, :]
        logs = log_signal - np.log(np.where(apparent > 0, apparent, np.nan))
    use = np.isfinite(log_signal).all(axis=0)
    n, groups = signal.shape
    nowhere = PanelSet(
        tuple(range(n)), math.inf, np.full(n, np.nan), np.full(n, np.nan), np.full(groups, np.nan)
    )
    if use.sum() < max(1, groups / 3):
        return nowhere
    logs, relative = logs[:, :, use], relative[:, use]
    common = logs.mean(axis=1, keepdims=True)
    # What the mean takes away of each panel's own departure is given back on average.
    left = (logs - common) * math.sqrt(n / max(n - 1, 1))
    expected = SHAPE**2 + relative**2 + (relative**2).mean(axis=0)
    weight = SHAPE**2 / expected
    level = (left * weight).sum(axis=2) / weight.sum(axis=1)
    rest = left - level[:, :, None]
    shape = np.sqrt((rest**2 * weight).sum(axis=2) / weight.sum(axis=1))
    allowed = LEVEL**2 + certificate**2
    # A set is as good as its worst panel: three right ones do not excuse a stone as the fourth.
    cost2 = (level**2 / allowed + (rest**2 / expected).mean(axis=2)).max(axis=1)
    cost2 += (offset[:, use].mean(axis=1) / 0.02) ** 2  # small path signals are likelier
    cost2 = np.where(np.isfinite(cost2), cost2, np.inf)
    best = int(np.argmin(cost2))
    believed = (np.abs(level[best]) <= WORST_LEVEL + 3 * certificate).all() and (
        shape[best] <= WORST_SHAPE
    ).all()
    white = np.full(groups, np.nan)
    white[use] = np.exp(common[best, 0])
    return PanelSet(
        tuple(range(n)),
        math.sqrt(cost2[best]) if believed else math.inf,
        level[best],
        shape[best],
        white,
    )


def consistent_sets(
    signal: Array,
    uncertainty: Array,
    reflectance: Array,
    certificate: Array,
    offset: Array,
    allowed: Mask,
) -> list[PanelSet]:
    """Every choice of one patch a panel whose signals agree with the certificates, best first.

    Parameters
    ----------
    signal, uncertainty : (patch, group) [count]
    reflectance, certificate, offset : as `judge` takes them, for the panels
    allowed : (panel, patch) patches that may be the panel at all

    Returns
    -------
    At most `MOST_SETS` sets. A single panel has nothing to be compared with: every patch allowed
    is a set of cost zero.
    """
    n = len(reflectance)
    whole = np.isfinite(signal).sum(axis=1) >= max(1, signal.shape[1] / 3)
    allowed = allowed & whole
    if n == 1:
        nothing = np.zeros(1)
        return [
            PanelSet((int(j),), 0.0, nothing, nothing, signal[j] / reflectance[0])
            for j in np.flatnonzero(allowed[0])
        ]
    brightest = int(np.argmax(np.nanmean(reflectance, axis=1)))
    choices: set[tuple[int, ...]] = set()
    for j in np.flatnonzero(allowed[brightest]).tolist():
        for likely in _likely(signal, uncertainty, reflectance, certificate, offset, brightest, j):
            likely &= allowed
            likely[brightest] = False
            likely[brightest, j] = True
            options = [np.flatnonzero(row).tolist() for row in likely]
            if math.prod(len(o) for o in options) > MOST_SETS:
                options = [o[:5] for o in options]
            choices.update(c for c in itertools.product(*options) if len(set(c)) == n)
    sets = []
    for choice in sorted(choices)[:MOST_SETS]:
        rows = list(choice)
        made = judge(signal[rows], uncertainty[rows], reflectance, certificate, offset)
        if made.fits:
            sets.append(PanelSet(choice, made.cost, made.level, made.shape, made.white))
    return sorted(sets, key=lambda s: (s.cost, s.choice))


def _likely(
    signal: Array,
    uncertainty: Array,
    reflectance: Array,
    certificate: Array,
    offset: Array,
    brightest: int,
    j: int,
) -> list[Mask]:
    """For each path signal, (panel, patch): patches near what patch j as the brightest predicts."""
    apparent = reflectance + offset[:, None, :]  # (trial, panel, group)
    with np.errstate(invalid="ignore", divide="ignore"):
        white = signal[j] / apparent[:, brightest]
        predicted = white[:, None, :] * apparent
        logs = np.log(np.where(signal > 0, signal, np.nan)) - np.log(predicted)[:, :, None, :]
        relative = np.hypot(uncertainty, FLOOR_COUNTS) / signal
    weight = np.where(np.isfinite(logs), SHAPE**2 / (SHAPE**2 + np.nan_to_num(relative**2)), 0.0)
    total = np.maximum(weight.sum(axis=3), 1e-12)
    logs = np.nan_to_num(logs)
    level = (logs * weight).sum(axis=3) / total
    shape = np.sqrt(((logs - level[..., None]) ** 2 * weight).sum(axis=3) / total)
    within = (np.abs(level) <= 2 * WORST_LEVEL + 3 * certificate[:, None]) & (
        shape <= 2 * WORST_SHAPE
    )
    return list(within & (total > 1e-6))


def rivals(sets: Sequence[PanelSet]) -> list[PanelSet]:
    """Those that fit nearly as well as the first, the best."""
    if not sets:
        return []
    limit = rival_limit(sets[0].cost)
    return [s for s in sets[1:] if s.cost <= limit]


def rival_limit(best: float) -> float:
    """Cost up to which another set fits nearly as well as the best one."""
    return max(RIVAL_FACTOR * best, best + RIVAL_ABOVE)


def same_light(one: Array, other: Array) -> bool:
    """Whether two estimates of white, (group,), are of one spectral shape within `WORST_SHAPE`."""
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.log(one / other)
    ratio = ratio[np.isfinite(ratio)]
    return bool(ratio.size and np.std(ratio) <= WORST_SHAPE)
