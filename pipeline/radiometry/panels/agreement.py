"""Panels against each other, flight after flight: which of them has changed?

The light and the camera are the same for all panels of a flight, so they cancel in what one panel
says and the others predict. The certificates' own errors are the same in every flight, so they
cancel against the first flights.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry.control_charts import (
    BASELINE,
    RANGE_OF_TWO,
    ControlChart,
    control_chart,
    ewma,
    moving_ranges,
)
from pipeline.records import Array, Mask

#: Relative scatter of a panel's level below which the first flights are not believed (own
#: arithmetic: a tilt of half a degree under a low sun is as much).
LEAST_SCATTER: Final = 0.002
#: Flights of an alarm that are looked at to tell which panel it was (own arithmetic: the moving
#: average has then taken up most of a step).
EVIDENCE: Final = 5


class PanelLevels(NamedTuple):
    """What each panel says of the light and the camera in one flight, (panel,) [1].

    Natural logarithms of signal over certified reflectance, less the panels' mean; NaN where a
    panel says nothing.
    """

    level: Array
    uncertainty: Array  # standard, of the signal alone


@dataclass(frozen=True, eq=False)
class PanelRecord:
    """A panel against the others, over all flights."""

    departure: Array  # (flight,) [1], level over what the others predict, less 1; NaN where unknown
    uncertainty: Array  # (flight,) [1], standard, of what differs from flight to flight
    chart: ControlChart


def panel_levels(
    signal: ArrayLike, uncertainty: ArrayLike, reflectance: ArrayLike, usable: Mask
) -> PanelLevels:
    """What each panel of a flight says, from its spectrum.

    Parameters
    ----------
    signal, uncertainty : (panel, band) [count], under the same light
    reflectance : (panel, band) [1], certified
    usable : (panel, band); a band counts where every panel that is usable anywhere is

    Notes
    -----
    The median over bands; path signal, which a dark panel shows most, stays in it.
    """
    seen, certified = np.asarray(signal, np.float64), np.asarray(reflectance, np.float64)
    with np.errstate(invalid="ignore"):
        good = usable & (seen > 0) & (certified > 0) & np.isfinite(seen + certified)
    some = good.any(axis=1)
    bands = good[some].all(axis=0) if some.any() else np.zeros(seen.shape[1], np.bool_)
    level, u = np.full(len(seen), np.nan), np.full(len(seen), np.nan)
    if bands.any():
        part = np.ix_(some, bands)
        said = np.log(seen[part] / certified[part])
        level[some] = np.median(said - said.mean(axis=0), axis=1)
        u[some] = np.median(np.asarray(uncertainty, np.float64)[part] / seen[part], axis=1)
    return PanelLevels(level, u)


def panel_record(
    level: ArrayLike, uncertainty: ArrayLike, certificate: Sequence[Sequence[str]]
) -> list[PanelRecord]:
    """Each panel against what the other panels of its flights predict, judged.

    Parameters
    ----------
    level, uncertainty : (flight, panel), as `panel_levels` gives them, in order of time
    certificate : (flight, panel), what tells one certificate of a panel from another; a panel
        with a new certificate is a new panel, known once its first `BASELINE` flights are there

    Notes
    -----
    A panel's usual level is that of its first `BASELINE` flights, by least squares over panels and
    flights, since panels may be missing here and there. The others' prediction is their mean
    departure from their usual levels, weighed by their scatter in those flights. Where they
    disagree, its uncertainty grows with their disagreement (Birge ratio).

    At an alarm the panel is sought without which the rest agree best, by the moving averages after
    its first flights; it predicts no other until the alarm is over, so that the others are not
    blamed for it. Two panels mirror each other: which of them changed, nobody can tell, and both
    are named.
    """
    said, own = np.asarray(level, np.float64), np.asarray(uncertainty, np.float64)
    departure, scatter = _from_usual(said, certificate)
    trusted = np.isfinite(departure)
    settled: set[tuple[int, int]] = set()
    while True:
        records = [_judged(departure, scatter, own, trusted, k) for k in range(said.shape[1])]
        alarms = sorted(
            (start, k, stop)
            for k, record in enumerate(records)
            for start, stop in record.chart.outside
            if (start, k) not in settled
        )
        if not alarms:
            return records
        start, panel, stop = alarms[0]
        seen = min(stop, start + EVIDENCE)
        odd = _odd_one(departure[:seen], scatter[start], trusted[start])
        if odd is None or odd == panel:
            settled.add((start, panel))
        if odd is not None:
            trusted[start:stop, odd] = False


def _judged(departure: Array, scatter: Array, own: Array, trusted: Mask, panel: int) -> PanelRecord:
    value, u = (np.full(len(departure), np.nan) for _ in range(2))
    for i in np.flatnonzero(np.isfinite(departure[:, panel])):
        others = trusted[i].copy()
        others[panel] = False
        if others.any():
            predicted, error = _mean(departure[i, others], scatter[i, others])
            value[i] = np.expm1(departure[i, panel] - predicted)
            u[i] = np.hypot(error, own[i, panel])
    return PanelRecord(value, u, control_chart(value, u, least=LEAST_SCATTER))


def _odd_one(departure: Array, scatter: Array, trusted: Mask) -> int | None:
    """The panel without which the trusted rest agree best at the last flight; None among two."""
    candidates = [int(k) for k in np.flatnonzero(trusted)]
    if len(candidates) < 3:
        return None
    away = departure - _middle(departure)
    smooth = np.array([ewma(away[:, k], start=0.0)[-1] for k in range(away.shape[1])])

    def disagreement(k: int) -> float:
        rest = [other for other in candidates if other != k]
        mean, _ = _mean(smooth[rest], scatter[rest])
        return float((((smooth[rest] - mean) / scatter[rest]) ** 2).sum())

    return min(candidates, key=disagreement)


def _from_usual(level: Array, certificate: Sequence[Sequence[str]]) -> tuple[Array, Array]:
    """Levels less the panel's usual one, and the panel's scatter, (flight, panel) both."""
    spans = _spans(level, certificate)
    departure, scatter = np.full(level.shape, np.nan), np.full(level.shape, np.nan)
    for (panel, flights), usual in zip(spans, _usual(level, spans), strict=True):
        departure[flights, panel] = level[flights, panel] - usual
    away = departure - _middle(departure)
    for panel, flights in spans:
        ranges = moving_ranges(away[flights[:BASELINE], panel])
        scatter[flights, panel] = max(float(ranges.mean()) / RANGE_OF_TWO, LEAST_SCATTER)
    return departure, scatter


def _spans(level: Array, certificate: Sequence[Sequence[str]]) -> list[tuple[int, Array]]:
    """Panels under one certificate each, with the flights that show them; those with enough."""
    spans = []
    for panel in range(level.shape[1]):
        flights: dict[str, list[int]] = {}
        for i in map(int, np.flatnonzero(np.isfinite(level[:, panel]))):
            flights.setdefault(certificate[i][panel], []).append(i)
        spans += [(panel, np.array(f)) for f in flights.values() if len(f) >= BASELINE]
    return spans


def _usual(level: Array, spans: Sequence[tuple[int, Array]]) -> list[float]:
    """The usual level of each span: level = usual of the span + what the flight shares.

    Spans whose first flights are the same are solved together; later ones against those before.
    """
    usual = [math.nan] * len(spans)
    while unsolved := [s for s, value in enumerate(usual) if math.isnan(value)]:
        end = min(spans[s][1][BASELINE - 1] for s in unsolved)
        together = [s for s in unsolved if spans[s][1][0] <= end]
        shared = sorted({int(i) for s in together for i in spans[s][1][:BASELINE]})
        rows: list[Array] = []
        right: list[float] = []
        for s, (panel, flights) in enumerate(spans):
            known = math.isfinite(usual[s])
            if not known and s not in together:
                continue
            for i in set(flights if known else flights[:BASELINE]) & set(shared):
                row = np.zeros(len(together) + len(shared))
                row[len(together) + shared.index(int(i))] = 1.0
                if not known:
                    row[together.index(s)] = 1.0
                rows.append(row)
                right.append(level[i, panel] - (usual[s] if known else 0.0))
        solved = np.linalg.lstsq(np.stack(rows), np.array(right), rcond=None)[0]
        for s, value in zip(together, solved, strict=False):
            usual[s] = float(value)
    return usual


def _middle(departure: Array) -> Array:
    """Median over the panels of each flight, (flight, 1); 0 where there is none."""
    known = np.isfinite(departure).any(axis=1)
    middle = np.zeros(len(departure))
    middle[known] = np.nanmedian(departure[known], axis=1)
    return middle[:, None]


def _mean(values: Array, scatter: Array) -> tuple[float, float]:
    """Weighed mean and its standard uncertainty, enlarged where the values disagree."""
    weight = 1 / scatter**2
    mean = float((weight * values).sum() / weight.sum())
    chi_square = float((weight * (values - mean) ** 2).sum()) / max(len(values) - 1, 1)
    return mean, float(np.sqrt(max(chi_square, 1.0) / weight.sum()))
