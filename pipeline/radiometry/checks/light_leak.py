"""The check for light in the dark captures."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry.checks.row import Limits, finite, median, not_checked, row
from pipeline.radiometry.distributions import few_factor
from pipeline.radiometry.limits import (
    LEAK_ERRORS,
    LIMITS,
)
from pipeline.radiometry.robust import correlation_factor, robust_sigma, row_medians
from pipeline.records import Array, Check

#: Orders of the polynomial that a dark's own band profile is taken to be.
_PROFILE_ORDERS = range(2, 13)
#: Bands that each term of it needs, so that it stays slower than the spectrum's features.
_BANDS_A_TERM = 2
#: Parts of the swath that are looked at each alone: a cap half on lights two of them.
PARTS = 4
_LEAST_SAMPLES = 8
#: Share of a common rise that parts may differ by without light. Common practice, no source.
_OWN_PATTERN = 0.25


def leak_amplitude(dark_profile: ArrayLike, panel_spectrum: ArrayLike) -> tuple[float, float]:
    """Amplitude of the panels' spectrum in a dark's band profile, with its standard error.

    Parameters
    ----------
    dark_profile : (band,) [count] dark level, best a median over samples
    panel_spectrum : (band,) [count] mean signal of the panels

    Returns
    -------
    Counts at the panels' brightest band, by least squares of the profile on the spectrum and a
    polynomial over bands (a dark's own slow change), of the order that the Bayesian information
    criterion prefers (Schwarz 1978, Ann. Statist. 6, 461, from memory). Only what the polynomial
    cannot take on counts for the spectrum, so a spectrum as smooth as that gives a large standard
    error. The error is enlarged for the correlation of neighbouring bands, and where few bands are
    left to tell it by, so that `LEAK_ERRORS` of it are as improbable as they are for a normal
    error. (NaN, NaN) below 10 common bands, or where the spectrum is flat, zero or itself such a
    polynomial.
    """
    profile = np.asarray(dark_profile, np.float64)
    spectrum = np.asarray(panel_spectrum, np.float64)
    good = np.isfinite(profile) & np.isfinite(spectrum)
    if good.sum() < 10 or not (peak := float(spectrum[good].max())) > 0:
        return math.nan, math.nan
    position = np.linspace(-1, 1, profile.size)
    most = max(_PROFILE_ORDERS[0], min(_PROFILE_ORDERS[-1], int(good.sum()) // _BANDS_A_TERM - 2))
    smooth = np.polynomial.legendre.legvander(position, most)
    design = np.column_stack([spectrum / peak, smooth])
    terms_used = min(
        (order + 2 for order in _PROFILE_ORDERS if order <= most),
        key=lambda used: _information(design[good, :used], profile[good]),
    )
    design = design[:, :terms_used]
    amplitude = error = math.nan
    for _ in range(3):
        a, y = design[good], profile[good]
        if np.linalg.svd(a, compute_uv=False)[-1] < 1e-6:
            return math.nan, math.nan
        terms = np.linalg.lstsq(a, y, rcond=None)[0]
        residual = profile - design @ terms
        r = residual[good]
        variance = float(r @ r) / (r.size - a.shape[1])
        inflation = correlation_factor(r)
        error = math.sqrt(variance * float(np.linalg.inv(a.T @ a)[0, 0])) * inflation
        error *= few_factor(r.size / inflation**2 - a.shape[1], LEAK_ERRORS)
        amplitude = float(terms[0])
        spread = robust_sigma(r)
        kept = good & (np.abs(residual) <= 5 * spread + 1e-12 * np.abs(profile))
        if kept.sum() < 10 or np.array_equal(kept, good):
            break
        good = kept
    return amplitude, error


def _information(design: Array, values: Array) -> float:
    """Bayesian information criterion of a least-squares fit; less is better."""
    rest = values - design @ np.linalg.lstsq(design, values, rcond=None)[0]
    n, terms = design.shape
    return float(n * math.log(max(float(rest @ rest) / n, 1e-30)) + terms * math.log(n))


#: A half-open part of the swath; None for all of it.
Part = tuple[int, int] | None


class Leak(NamedTuple):
    """Light that was looked for in a dark capture."""

    capture: str
    samples: Part
    whose: str  # the light's spectrum; empty where only its place tells it
    amplitude: float  # [count]
    error: float  # [count], standard

    @property
    def sure(self) -> bool:
        """Beyond doubt."""
        return self.amplitude > LEAK_ERRORS * self.error


def light_leak(
    darks: Mapping[str, ArrayLike] | None,
    panel_spectrum: ArrayLike | None,
    *,
    scene_spectrum: ArrayLike | None = None,
    limits: Limits = LIMITS,
) -> Check:
    """Light in the darks: `leaks_in` each, the surest shown.

    Parameters
    ----------
    darks : (band,) or (band, sample) [count], mean over frames by capture
    panel_spectrum : (band,) [count], mean signal of the panels
    scene_spectrum : (band,) [count], mean signal of the scene, looked for as well where given:
        light that came by the ground has its features, not the panels'
    """
    if not darks or panel_spectrum is None:
        return not_checked(limits, "light-leak", "no dark, or no panel to know the light by")
    spectra = {"panels'": np.asarray(panel_spectrum, np.float64)}
    if scene_spectrum is not None:
        spectra["scene's"] = np.asarray(scene_spectrum, np.float64)
    found = leaks_in(darks, spectra)
    if not found:
        return not_checked(
            limits,
            "light-leak",
            "the panels' spectrum is too smooth, or has too few "
            "bands, to be told from the dark's own profile",
        )
    surest = max(found, key=lambda one: one.amplitude / max(one.error, 1e-12))
    where = surest.capture
    if surest.samples is not None:
        where += f" at samples {surest.samples[0]} to {surest.samples[1]}"
    says = (
        f"light of the {surest.whose} spectrum in {where}: {surest.amplitude:.2f} counts (standard "
        f"error {surest.error:.2f}) at the brightest band"
    )
    if not surest.whose:
        says = (
            f"{where} lies {surest.amplitude:.2f} counts (standard error {surest.error:.2f}) above "
            "the other dark capture, and not so elsewhere: a cap half on, no drift"
        )
    return row(
        limits,
        "light-leak",
        surest.amplitude,
        says,
        subject=surest.capture,
        counts=surest.sure,
    )


def leaks_in(darks: Mapping[str, ArrayLike], spectra: Mapping[str, Array]) -> list[Leak]:
    """Light in each capture, over the whole swath and in each of its parts.

    Parameters
    ----------
    darks : (band,) or (band, sample) [count], mean over frames by capture
    spectra : (band,) [count], what the light may look like, by whose it is

    Returns
    -------
    All that could be looked for. Each spectrum by `leak_amplitude` in each capture's profile over
    bands and, free of the bands' own pattern, in what its parts lie above its darkest part; free
    of the elements' pattern, in what capture and parts lie above the darkest capture. What a part
    of the swath lies above the darkest capture beyond what every part does is light too:
    temperature lifts the whole sensor.
    """
    levels = {name: np.asarray(one, np.float64) for name, one in darks.items()}
    levels = {name: one.reshape(one.shape[0], -1) for name, one in levels.items()}
    darkest = min(levels, key=lambda name: median(levels[name]), default="")
    found = []
    for name, level in levels.items():
        above = _profiles(level - levels[darkest]) if name != darkest else {}
        looked = [*_apart(_profiles(level)), *above.items()]
        for part, profile in looked:
            for whose, spectrum in spectra.items():
                found.append(Leak(name, part, whose, *leak_amplitude(profile, spectrum)))
        found += _of_place(name, above)
    return [one for one in found if math.isfinite(one.amplitude) and math.isfinite(one.error)]


def _profiles(level: Array) -> dict[Part, Array]:
    """Profiles over bands of the whole swath, first, and of its parts."""
    return {part: _middle(level, part) for part in _parts(level.shape[1])}


def _apart(profiles: Mapping[Part, Array]) -> list[tuple[Part, Array]]:
    """A capture's profile, and those of its parts above the darkest one."""
    whole, *parts = profiles.items()
    least = min(parts, key=lambda one: median(one[1]), default=None)
    return [whole, *((part, one - least[1]) for part, one in parts if least and part != least[0])]


def _parts(samples: int) -> list[Part]:
    """The whole swath, and its parts where it is wide enough for them."""
    if samples < PARTS * _LEAST_SAMPLES:
        return [None]
    edges = np.linspace(0, samples, PARTS + 1).round().astype(int)
    return [None, *((int(a), int(b)) for a, b in pairwise(edges))]


def _middle(level: Array, part: Part) -> Array:
    """Median over samples, (band,); NaN where none is known."""
    return row_medians(level if part is None else level[:, slice(*part)])


def _of_place(name: str, above: Mapping[Part, Array]) -> list[Leak]:
    """What parts lie above the darkest capture, beyond the part that does least, by profiles."""
    parts = [part for part in above if part is not None]
    rises = [finite(above[part]) for part in parts]
    if not parts or not all(one.size for one in rises):
        return []
    level = [median(one) for one in rises]
    error = [robust_sigma(one) / math.sqrt(one.size) for one in rises]
    most, least = int(np.argmax(level)), int(np.argmin(level))
    step = level[most] - level[least]
    # Warmth lifts the brighter elements more, but hardly by a quarter of what it lifts all.
    if step < _OWN_PATTERN * abs(level[least]):
        return []
    return [Leak(name, parts[most], "", step, math.hypot(error[most], error[least]))]
