"""The light from repeated passes over panels: one curve through all passes of all panels.

In logarithms a reading is the panel's level plus the light's at its time. Levels are unknown, but
for what certificates say of their ratios; the light wanders about a straight trend. All of it is
one linear Gaussian model, so that whatever panel was passed when, what is known is used and what
is not stays in the uncertainty. The best estimate is straight in time between readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import CalibrationError
from pipeline.radiometry.illumination.curve import LightCurve
from pipeline.radiometry.robust import MAD_TO_SIGMA
from pipeline.records import Array, Mask

#: How the light wanders where passes cannot tell, relative variance a second: 0.3 % in a minute,
#: as under a clear sky with haze; worth this many degrees of freedom. Common practice, no source.
WANDER_PER_S = 0.003**2 / 60
_WANDER_FREEDOM = 2.0
#: Standard deviation of a trend of which passes tell nothing: the clear sky's is below 1 % a minute
#: while the sun is above 25 degrees (own arithmetic, half of it).
TREND_PER_S = 0.005 / 60
#: A reading of this relative uncertainty or more tells nothing of the light. Common practice.
LEAST_CLEAR = 0.05
#: Levels of panels of which no certificate speaks may differ by any factor (in logarithms).
_ANY_LEVEL = 5.0
#: Path signal and dark may lift a panel by this much, reflectance, beside its certificate.
_OFFSET = 0.003
#: Gain of log likelihood from which a change of the light's spectrum is believed: 2.8 standard
#: errors of one number.
_SPECTRUM_SHOWS = 4.0
_FREE_TREND = 1.0 / 60
_WANDERS = 10.0 ** np.linspace(-2, 3, 41)
_SPECTRAL = np.concatenate([[0.0], 10.0 ** np.linspace(-2, 0, 9)])


@dataclass(frozen=True, eq=False)
class Passes:
    """Readings of panels, equal windows once; (reading, band) unless said otherwise."""

    panel: tuple[str, ...]  # (reading,)
    time_s: Array  # (reading,) [s], increasing
    log_signal: Array  # NaN where a reading is not clear
    relative_uncertainty: Array

    @property
    def panel_number(self) -> NDArray[np.intp]:
        """Which panel each reading is of, (reading,)."""
        return np.unique(np.array(self.panel), return_inverse=True)[1]


def passes_of(panel: Sequence[str], time_s: Array, signal: Array, uncertainty: Array) -> Passes:
    """Readings as passes: of known time, in order, equal ones once.

    Parameters
    ----------
    panel : (reading,) name
    time_s : (reading,) [s]; readings of unknown time are passed over
    signal, uncertainty : (reading, band) [count]; not above zero, NaN or of a relative
        uncertainty of `LEAST_CLEAR` or more is not clear in that band
    """
    time, level, u = (np.asarray(v, dtype=np.float64) for v in (time_s, signal, uncertainty))
    with np.errstate(invalid="ignore", divide="ignore"):
        relative = u / level
        clear = (level > 0) & np.isfinite(level) & (relative >= 0) & (relative < LEAST_CLEAR)
        logs = np.where(clear, np.log(np.where(clear, level, 1.0)), np.nan)
    kept: list[int] = []
    for i in np.argsort(time, kind="stable"):
        alike = any(
            panel[i] == panel[k]
            and time[i] == time[k]
            and np.array_equal(logs[i], logs[k], equal_nan=True)
            for k in kept
        )
        if np.isfinite(time[i]) and clear[i].any() and not alike:
            kept.append(int(i))
    relative = np.where(clear, relative, np.nan)
    return Passes(tuple(panel[i] for i in kept), time[kept], logs[kept], relative[kept])


def require_repeated(passes: Passes, line_time: Array) -> None:
    """Refuse passes that can say nothing of how the light changed over a flight.

    Parameters
    ----------
    passes : from `passes_of`
    line_time : (line,) [s] of all cubes; NaN are passed over

    Raises
    ------
    CalibrationError
        No clear reading of known time; no line between the first and the last pass; or each panel
        passed once, all within a tenth of the flight's length.
    """
    if not passes.panel:
        raise CalibrationError("no pass over a panel has a known time and a clear signal")
    lines = line_time[np.isfinite(line_time)]
    first, last = float(passes.time_s[0]), float(passes.time_s[-1])
    do = "Pass over a panel before and after the strips, or log the irradiance"
    if lines.size and not ((lines >= first) & (lines <= last)).any():
        raise CalibrationError(
            "every line lies before the first or after the last pass over the panels", do=do
        )
    once = len(set(passes.panel)) == len(passes.panel)
    if once and lines.size and last - first < 0.1 * np.ptp(lines):
        raise CalibrationError(
            f"each panel was passed once, all within {last - first:.0f} s: such passes tell "
            "nothing of how the light changed",
            do=do,
        )


def curve_from_passes(
    passes: Passes,
    reflectance: Array | None = None,
    reflectance_uncertainty: Array | None = None,
    *,
    by_band: bool = True,
) -> LightCurve:
    """Curve of the light from panel readings, one or by band as the readings tell.

    Parameters
    ----------
    passes : from `passes_of`, one at least
    reflectance, reflectance_uncertainty : (reading, band) [1], certified, of the reading's panel,
        and its standard uncertainty; NaN says nothing of that band, None nothing at all
    by_band : follow the light's spectrum too

    Returns
    -------
    LightCurve with a knot at each reading's time; ratio 1 at the mean of the readings' logarithms.
    Of one band where no change of the light's spectrum stands out of the readings' noise.

    Raises
    ------
    CalibrationError
        No clear reading of known time.

    Notes
    -----
    Gaussian process regression (Rasmussen and Williams 2006, eqs. 2.25, 2.26 and 2.42): the light
    a straight trend and a Brownian motion, whose variance is the most likely one given a prior
    (inverse chi-square, `_WANDER_FREEDOM` about `WANDER_PER_S`). The trend is free where passes
    show one beyond twice its standard uncertainty, and as `TREND_PER_S` has it where they are too
    near each other to tell. Certificates tie panels that
    were never passed at like times; to their uncertainty `_OFFSET` over the reflectance is added
    for path signal. The mean over bands gives the common curve; the rest of each band's logarithm
    is treated alike, its trend and wandering a share of the common ones, the share most likely for
    all bands together. What share of a reading's uncertainty neighbouring bands do not have in
    common is seen in the readings' differences from band to band.
    """
    if not passes.panel:
        raise CalibrationError("no pass over a panel has a known time and a clear signal")
    common = _common_bands(passes)
    apart = _independent_share(passes)
    logs = np.where(common, passes.log_signal, 0.0)
    count = common.sum(axis=1)
    mean = logs.sum(axis=1) / count
    u = np.array([np.median(passes.relative_uncertainty[i, common[i]]) for i in range(len(mean))])
    tie_mean, tie_u = _ties(passes, reflectance, reflectance_uncertainty, common)
    noise = u**2 * (1 - apart + apart / count)
    model = _Model(passes.time_s, passes.panel_number, tie_u)
    wander = _likely_wander(model, mean - tie_mean, noise)
    trend = _trend_spread(model, mean - tie_mean, noise, wander)
    light = model.posterior(mean - tie_mean, noise, wander, trend)
    departures = _departures(passes, mean, wander, trend, apart) if by_band else None
    return _curve_of(passes.time_s, light, departures, wander)


def _common_bands(passes: Passes) -> Mask:
    """Bands clear in all readings of a reading's panel, or else in it, (reading, band)."""
    clear = np.isfinite(passes.log_signal)
    number = passes.panel_number
    alike = np.stack([clear[number == number[i]].all(axis=0) for i in range(len(number))])
    return np.where(alike.any(axis=1, keepdims=True), alike, clear)


def _ties(
    passes: Passes, reflectance: Array | None, uncertainty: Array | None, common: Mask
) -> tuple[Array, Array]:
    """Expected logarithm of each reading's panel, and its standard uncertainty, (reading,)."""
    readings = len(passes.panel)
    expected, u = np.zeros(readings), np.full(readings, _ANY_LEVEL)
    if reflectance is None or uncertainty is None:
        return expected, u
    for i in range(readings):
        with np.errstate(invalid="ignore"):
            good = common[i] & (reflectance[i] > 0) & np.isfinite(uncertainty[i])
        if good.any():
            rho = reflectance[i][good]
            expected[i] = np.log(rho).mean()
            u[i] = np.median(np.hypot(uncertainty[i][good], _OFFSET) / rho)
    return expected, u


def _independent_share(passes: Passes) -> float:
    """Share of the readings' variance that is independent from band to band, 0 to 1.

    From second differences over bands of the difference of two readings of a panel: the light's
    own spectral change is smooth and drops out.
    """
    number, shares = passes.panel_number, []
    for one in np.unique(number):
        rows = np.flatnonzero(number == one)
        for a, b in pairwise(rows):
            bend = np.diff(passes.log_signal[b] - passes.log_signal[a], 2)
            stated = (passes.relative_uncertainty[[a, b]] ** 2).sum(axis=0)[1:-1]
            known = np.isfinite(bend) & np.isfinite(stated) & (stated > 0)
            if known.sum() >= 5:
                shares.append(float(np.median(bend[known] ** 2 / (6 * stated[known]))))
    return min(MAD_TO_SIGMA**2 * float(np.median(shares)), 1.0) if shares else 0.0


class Posterior(NamedTuple):
    """The light's logarithm at each reading less its mean over them, and its trend."""

    mean: Array  # (reading,)
    covariance: Array  # (reading, reading)
    trend: float  # [1/s]
    trend_variance: float


class _Model:
    """Covariances of the readings at given wandering and trend, the mean level free."""

    def __init__(self, time_s: Array, panel: NDArray[np.intp], tie_u: Array) -> None:
        self.since = time_s - time_s[0]
        self.centred = time_s - time_s.mean()
        self.brownian = np.minimum.outer(self.since, self.since)
        same = panel[:, None] == panel[None, :]
        self.levels = np.where(same, np.outer(tie_u, tie_u), 0.0)

    def light(self, wander: float, trend: float) -> Array:
        """Prior covariance of the light, (reading, reading)."""
        straight = np.outer(self.centred, self.centred)
        return np.asarray(wander * self.brownian + trend**2 * straight)

    def projection(self, noise: Array, wander: float, trend: float) -> tuple[Array, float]:
        """V^-1 less what the free mean takes, and log |V| + log 1'V^-1 1."""
        total = self.light(wander, trend) + self.levels + np.diag(noise + 1e-14)
        inverse = np.linalg.inv(total)
        ones = inverse.sum(axis=1)
        _, log_determinant = np.linalg.slogdet(total)
        return inverse - np.outer(ones, ones) / ones.sum(), log_determinant + np.log(ones.sum())

    def likelihood(self, y: Array, noise: Array, wander: float, trend: float) -> float:
        """Restricted log likelihood, but for a constant."""
        projection, determinants = self.projection(noise, wander, trend)
        return -0.5 * float(y @ projection @ y + determinants)

    def posterior(self, y: Array, noise: Array, wander: float, trend: float) -> Posterior:
        """The light given the readings."""
        projection, _ = self.projection(noise, wander, trend)
        prior = self.light(wander, trend)
        mean = prior @ projection @ y
        covariance = prior - prior @ projection @ prior
        of_trend = trend**2 * self.centred
        # Relative to the mean over the readings, which is the reference.
        centre = np.eye(y.size) - 1.0 / y.size
        return Posterior(
            centre @ mean,
            centre @ covariance @ centre,
            float(of_trend @ projection @ y),
            float(trend**2 - of_trend @ projection @ of_trend),
        )


def _likely_wander(model: _Model, y: Array, noise: Array) -> float:
    """The most likely variance gained in a second, [1/s], with its prior."""
    best, found = -np.inf, WANDER_PER_S
    for factor in _WANDERS:
        prior = -0.5 * _WANDER_FREEDOM * (np.log(factor) + 1 / factor)
        score = model.likelihood(y, noise, WANDER_PER_S * factor, _FREE_TREND) + prior
        if score > best:
            best, found = score, WANDER_PER_S * float(factor)
    return found


def _trend_spread(model: _Model, y: Array, noise: Array, wander: float) -> float:
    """Standard deviation of the trend's prior, [1/s]: wide where the passes show a trend."""
    free = model.posterior(y, noise, wander, _FREE_TREND)
    shown = abs(free.trend) - 2 * np.sqrt(free.trend_variance)
    return float(np.hypot(TREND_PER_S, 3 * max(shown, 0.0)))


def _departures(
    passes: Passes, mean: Array, wander: float, trend: float, apart: float
) -> list[Posterior] | None:
    """Each band's light over the common one; None where no band's stands out of the noise."""
    rest = passes.log_signal - mean[:, None]
    noise = apart * passes.relative_uncertainty**2
    spectral = _Model(passes.time_s, passes.panel_number, np.full(mean.size, _ANY_LEVEL))
    full = np.isfinite(rest).all(axis=0)
    bands = np.flatnonzero(full)
    if mean.size < 2 or not bands.size or not apart > 0:
        return None
    scores = np.zeros(_SPECTRAL.size)
    for i, share in enumerate(_SPECTRAL):
        for b in bands[:: max(bands.size // 12, 1)]:
            scores[i] += spectral.likelihood(
                rest[:, b], noise[:, b], share**2 * wander, share * trend
            )
    if scores.max() - scores[0] < _SPECTRUM_SHOWS:
        return None
    share = float(_SPECTRAL[int(scores.argmax())])
    found = []
    for b in range(rest.shape[1]):
        known = np.isfinite(rest[:, b])
        y = np.where(known, rest[:, b], 0.0)
        n = np.where(known, noise[:, b], 1e6)
        found.append(spectral.posterior(y, n, share**2 * wander, share * trend))
    return found


def _curve_of(
    time_s: Array, light: Posterior, departures: list[Posterior] | None, wander: float
) -> LightCurve:
    nothing = Posterior(np.zeros(time_s.size), np.zeros((time_s.size,) * 2), 0.0, 0.0)
    bands = departures or [nothing]
    knots, first = np.unique(time_s, return_index=True)
    after = first[1:]
    log_ratio = np.stack([light.mean + b.mean for b in bands], axis=-1)
    total = np.stack([light.covariance + b.covariance for b in bands], axis=-1)
    ratio = np.exp(log_ratio)[first]
    trend = np.array([light.trend + b.trend for b in bands])
    trend_variance = np.array([light.trend_variance + b.trend_variance for b in bands])
    wanders = np.full(len(bands), wander)
    return LightCurve(
        time_s=knots,
        ratio=ratio,
        variance=ratio**2 * np.maximum(total[first, first], 0.0),
        covariance=ratio[1:] * ratio[:-1] * total[first[:-1], after],
        wander=wanders,
        unseen_wander=wanders,
        gap=np.zeros(knots.size - 1, np.bool_),
        observed=np.ones(knots.size, np.bool_),
        slope=trend * ratio.mean(axis=0),
        slope_uncertainty=np.sqrt(np.maximum(trend_variance, 0.0)) * ratio.mean(axis=0),
    )
