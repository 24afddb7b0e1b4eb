"""Panels laid out by hand lie in a row, in the order of their brightness, at even steps."""

from __future__ import annotations

import numpy as np

from pipeline.records import Array

#: A row has no fewer panels: two always lie in one.
LEAST_PANELS = 3
#: How far patches of a row may differ and stray: largest over smallest in pixels, distance from
#: the line in sides, steps over their median, longest step in sides (common practice, no source).
SIZES, ASIDE, STEPS, LONGEST = 1.5, 0.25, (0.75, 1.25), 5.0


def is_row(middles: Array, pixels: Array, brightness: Array) -> bool:
    """Whether patches lie in one row at even steps, in the order of the panels' brightness.

    Parameters
    ----------
    middles : (panel, 2) line and sample of each patch's middle
    pixels : (panel,) of each patch
    brightness : (panel,) of the certificates; equal ones have no order

    Notes
    -----
    Straightness and even steps hold on any even ground grid: lines need not be as far apart as
    samples.
    """
    if len(middles) < LEAST_PANELS or pixels.max() > SIZES * pixels.min():
        return False
    ordered = middles[np.argsort(brightness)]
    if np.diff(np.sort(brightness)).min() <= 0:
        return False
    side = float(np.sqrt(np.median(pixels)))
    along, step, aside = _line(ordered)
    if not 0 < step <= LONGEST * side:
        return False
    steps = np.diff(along) / step
    return bool(aside <= ASIDE * side and (steps >= STEPS[0]).all() and (steps <= STEPS[1]).all())


def goes_on(row: Array, others: Array, pixels: Array, of_others: Array) -> bool:
    """Whether another patch of like size lies where a row would have its next panel.

    Parameters
    ----------
    row : (panel, 2) middles of a row in the order of brightness
    others : (patch, 2) middles of the other patches
    pixels, of_others : (panel,), (patch,) their pixels

    Notes
    -----
    Then the row is longer than the panels, and which of its patches they are is not told.
    """
    if not len(others):
        return False
    step = (row[-1] - row[0]) / (len(row) - 1)
    size = float(np.median(pixels))
    alike = (of_others >= size / SIZES) & (of_others <= size * SIZES)
    reach = (1 - STEPS[0]) * float(np.hypot(*step)) + ASIDE * np.sqrt(size)
    ends = (row[0] - step, row[-1] + step)
    return any(bool((alike & (np.hypot(*(others - end).T) <= reach)).any()) for end in ends)


def _line(middles: Array) -> tuple[Array, float, float]:
    """Places along the line through the first and the last, their median step, and the largest
    distance from the line."""
    span = middles[-1] - middles[0]
    length = float(np.hypot(*span))
    if length == 0:
        return np.zeros(len(middles)), 0.0, np.inf
    unit = span / length
    away = middles - middles[0]
    along = away @ unit
    aside = float(np.abs(away @ np.array([-unit[1], unit[0]])).max())
    return along, float(np.median(np.diff(along))), aside
