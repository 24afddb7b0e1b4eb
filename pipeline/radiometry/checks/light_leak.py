"""The check for light in the dark captures."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry.checks.row import Limits, not_checked, row
from pipeline.radiometry.limits import (
    LEAK_ERRORS,
    LIMITS,
)
from pipeline.radiometry.robust import correlation_factor, robust_sigma
from pipeline.records import Array, Check

#: Orders of the polynomial that a dark's own band profile is taken to be.
_PROFILE_ORDERS = range(2, 13)
#: Bands that each term of it needs, so that it stays slower than the spectrum's features.
_BANDS_A_TERM = 2


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
        error *= _few_factor(r.size / inflation**2 - a.shape[1])
        amplitude = float(terms[0])
        spread = robust_sigma(r)
        kept = good & (np.abs(residual) <= 5 * spread + 1e-12 * np.abs(profile))
        if kept.sum() < 10 or np.array_equal(kept, good):
            break
        good = kept
    return amplitude, error


def _few_factor(freedom: float) -> float:
    """What few degrees of freedom make of a standard error at `LEAK_ERRORS` (Student's t)."""
    from scipy.special import ndtr, stdtrit

    return -float(stdtrit(max(freedom, 1.0), ndtr(-LEAK_ERRORS))) / LEAK_ERRORS


def _information(design: Array, values: Array) -> float:
    """Bayesian information criterion of a least-squares fit; less is better."""
    rest = values - design @ np.linalg.lstsq(design, values, rcond=None)[0]
    n, terms = design.shape
    return float(n * math.log(max(float(rest @ rest) / n, 1e-30)) + terms * math.log(n))


def light_leak(
    dark_profile: Mapping[str, ArrayLike] | None,
    panel_spectrum: ArrayLike | None,
    *,
    scene_spectrum: ArrayLike | None = None,
    limits: Limits = LIMITS,
) -> Check:
    """Light in the dark: `leak_amplitude` of each capture's (band,) [count], the worst shown.

    Parameters
    ----------
    panel_spectrum : (band,) [count], mean signal of the panels
    scene_spectrum : (band,) [count], mean signal of the scene, looked for as well where given:
        light that came by the ground has its features, not the panels'
    """
    if not dark_profile or panel_spectrum is None:
        return not_checked(limits, "light-leak", "no dark, or no panel to know the light by")
    spectra = {"panels'": panel_spectrum, "scene's": scene_spectrum}
    found = {
        (name, whose): leak_amplitude(one, spectrum)
        for name, one in dark_profile.items()
        for whose, spectrum in spectra.items()
        if spectrum is not None
    }
    found = {key: pair for key, pair in found.items() if all(map(math.isfinite, pair))}
    if not found:
        return not_checked(
            limits,
            "light-leak",
            "the panels' spectrum is too smooth, or has too few "
            "bands, to be told from the dark's own profile",
        )

    def proved(one: tuple[str, str]) -> bool:
        return found[one][0] > LEAK_ERRORS * found[one][1]

    # The surest, in standard errors.
    key = max(found, key=lambda one: found[one][0] / max(found[one][1], 1e-12))
    (name, whose), (amplitude, error) = key, found[key]
    return row(
        limits,
        "light-leak",
        amplitude,
        f"light of the {whose} spectrum in {name}: {amplitude:.2f} counts (standard error "
        f"{error:.2f}) at the brightest band",
        subject=name,
        counts=proved(key),
    )
