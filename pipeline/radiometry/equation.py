"""The measurement equation, once: counts to reflectance, back again, and its variance by term.

With raw counts N, dark signal D, relative response f, irradiance ratio q and the empirical line
reflectance = a + g S/q:

    S = (N - D)/f
    R = a + g S/q
    u^2(S) = (sigma_read^2 + max(S f, 0)/K)/f^2 + u^2(D)/f^2 + (S u(f)/f)^2
    u^2(R) = (g/q)^2 u^2(S) + (S/q)^2 u^2(g) + u^2(a) + 2 (S/q) cov(g,a) + (g S/q^2)^2 u^2(q)

by the law of propagation (JCGM 100:2008, 5.2.2). `TERMS` takes u^2(R) apart; `fold_*` and
`folded_*` are the same as polynomials in S, whose coefficients are worked out once for
many samples.

Every function takes arrays that broadcast, of any float type, which it keeps; the operations are
in the order written. A ratio may be of a line alone or of a band and a line. Inputs are unchanged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.floating[Any]]
Number = Values | float

#: How the errors of a term go together along an axis of the cube.
Correlation = Literal["independent", "common"]


def line_dark(middle: Values, weight: Number, change: Number) -> Values:
    """Mean dark signal of lines [count], from the cube's middle and its change between captures."""
    return middle + weight * change


def signal_from_counts(counts: Values, dark: Number, response: Number) -> Values:
    """S [count] of raw counts; NaN counts give NaN, counts below the dark are kept negative."""
    return (counts - dark) / response


def counts_from_signal(signal: Values, dark: Number, response: Number) -> Values:
    """Raw counts of a signal: the inverse of `signal_from_counts`. A dark of 0 gives counts above
    the dark, which are what the photons made."""
    return signal * response + dark


def reflectance_from_signal(
    signal: Values, gain: Number, offset: Number, ratio: Number = 1.0
) -> Values:
    """R of a signal; without a ratio of one that is at the panels' irradiance already, S/q."""
    return offset + gain * signal / ratio


def signal_from_reflectance(
    reflectance: Values, gain: Number, offset: Number, ratio: Number = 1.0
) -> Values:
    """S [count] of a reflectance: the inverse of `reflectance_from_signal`."""
    return (reflectance - offset) / gain * ratio


def shot_variance(signal: Values, response: Number, electrons_per_count: float) -> Values:
    """Variance [count^2] of the photons' own number, S f of them over K, in counts above the dark.

    Below zero there is none, and none is known of where K is NaN or not above zero.
    """
    above_dark: Values = np.maximum(signal * response, 0)
    return above_dark / electrons_per_count if electrons_per_count > 0 else 0 * above_dark


def noise_variance(
    signal: Values, dark_noise: Number, response: Number, electrons_per_count: float
) -> Values:
    """Variance [count^2] of one line's signal from read and shot noise; NaN signal gives NaN."""
    shot = shot_variance(signal, response, electrons_per_count)
    return (dark_noise**2 + shot) / response**2


class FitVariance(NamedTuple):
    """Variances and covariance of an empirical line's gain [count^-2] and offset [1], or a part."""

    gain: Values
    offset: Values
    covariance: Values

    def at(self, signal: Values) -> Values:
        """Variance [1] of the line at a signal at the panels' irradiance, S/q [count]."""
        return signal**2 * self.gain + self.offset + 2 * signal * self.covariance


@dataclass(frozen=True, eq=False)
class InputQuantities:
    """What the reflectance of samples depends on (JCGM 100:2008, 4.1); arrays that broadcast.

    `dark_noise` is the temporal standard deviation of one frame, other names on `_uncertainty`
    are standard uncertainties (k = 1). `fit` is the whole variance of the empirical line, of which
    `certificate` and `scatter` are what the certificates and the panels' signals bring.
    """

    signal: Values  # [count]
    dark_noise: Number  # [count]
    dark_uncertainty: Number  # [count]
    response: Number  # [1]
    response_uncertainty: Number  # [1]
    electrons_per_count: float
    ratio: Number  # [1]
    ratio_uncertainty: Number  # [1]
    gain: Number  # [1/count]
    fit: FitVariance
    certificate: FitVariance
    scatter: FitVariance

    @property
    def slope(self) -> Number:
        """Reflectance of a count at the lines' light, g/q."""
        return self.gain / self.ratio

    @property
    def panel_signal(self) -> Values:
        """The signal as it were at the panels' irradiance, S/q."""
        return self.signal / self.ratio


@dataclass(frozen=True)
class Term:
    """One source of error of a reflectance, and how its errors go together along each axis.

    What a term calls independent shrinks in a mean over that axis, what it calls common does not.
    Where the truth lies between, common is said, which is the larger in a mean.
    """

    variance: Callable[[InputQuantities], Values]  # of the reflectance [1]
    line: Correlation
    sample: Correlation
    band: Correlation

    @property
    def kind(self) -> Literal["random", "systematic"]:
        """Random is what is drawn anew at every line."""
        return "random" if self.line == "independent" else "systematic"


def _read_noise(x: InputQuantities) -> Values:
    """(g/q)^2 sigma_read^2/f^2: one reading without light, from the scatter of dark frames."""
    return np.asarray((x.slope * x.dark_noise / x.response) ** 2)


def _shot_noise(x: InputQuantities) -> Values:
    """(g/q)^2 max(S f, 0)/(K f^2): the number of photons, a Poisson variable."""
    shot = shot_variance(x.signal, x.response, x.electrons_per_count)
    return np.asarray((x.slope / x.response) ** 2 * shot)


def _dark(x: InputQuantities) -> Values:
    """(g/q)^2 u^2(D)/f^2: the mean dark signal, from its frames and its change between captures."""
    return np.asarray((x.slope * x.dark_uncertainty / x.response) ** 2)


def _relative_response(x: InputQuantities) -> Values:
    """(g/q)^2 (S u(f)/f)^2: the relative response of an element."""
    return np.asarray((x.slope * x.signal * x.response_uncertainty / x.response) ** 2)


def _panel_certificate(x: InputQuantities) -> Values:
    """certificates' share of u^2(a + g S/q): the panels' certificates."""
    return x.certificate.at(x.panel_signal)


def _panel_scatter(x: InputQuantities) -> Values:
    """signals' share of u^2(a + g S/q): the panels' mean signals."""
    return x.scatter.at(x.panel_signal)


def _fit(x: InputQuantities) -> Values:
    """rest of u^2(a + g S/q): the fit, where it is worse than its inputs say (Birge ratio)."""
    scaled = x.panel_signal
    return np.maximum(x.fit.at(scaled) - x.certificate.at(scaled) - x.scatter.at(scaled), 0)


def _illumination(x: InputQuantities) -> Values:
    """(g S/q^2)^2 u^2(q): the irradiance ratio."""
    return np.asarray((x.slope * x.signal * x.ratio_uncertainty / x.ratio) ** 2)


#: Every term of u^2(R), by name. The dark's and the response's errors are an element's own; a
#: certificate's go together over the spectrum, the scatter of a panel's signals from band to band
#: does not, and what makes a fit worse than its inputs, dirt or stray light, spares no band.
TERMS: Mapping[str, Term] = MappingProxyType(
    {
        "read_noise": Term(_read_noise, "independent", "independent", "independent"),
        "shot_noise": Term(_shot_noise, "independent", "independent", "independent"),
        "dark": Term(_dark, "common", "independent", "independent"),
        "relative_response": Term(_relative_response, "common", "independent", "independent"),
        "panel_certificate": Term(_panel_certificate, "common", "common", "common"),
        "panel_scatter": Term(_panel_scatter, "common", "common", "independent"),
        "fit": Term(_fit, "common", "common", "common"),
        "illumination": Term(_illumination, "common", "common", "common"),
    }
)

#: The response's where a falloff was not measured: its errors are alike at neighbouring elements.
SMOOTH_RESPONSE = replace(TERMS["relative_response"], sample="common", band="common")
#: The terms that are the empirical line's own: of a mean signal they are known outright.
TERMS_OF_FIT = ("panel_certificate", "panel_scatter", "fit")


def variance_terms(x: InputQuantities) -> dict[str, Values]:
    """Variance of the reflectance [1] from each of `TERMS`."""
    return {name: term.variance(x) for name, term in TERMS.items()}


def combined(variances: Iterable[Values]) -> Values:
    """The sum of independent terms' variances."""
    return sum(variances, start=np.zeros(()))


class ElementCoefficients(NamedTuple):
    """What a detector element brings to its signal and to the variance of that."""

    inverse_response: Values  # 1/f
    fixed_variance: Values  # (sigma_read^2 + u^2(D))/f^2 [count^2]
    read_variance: Values  # sigma_read^2/f^2 [count^2]
    shot: Values  # 1/(K f) [count]
    response_variance: Values  # (u(f)/f)^2


class RatioCoefficients(NamedTuple):
    """What a line's light brings; of a line alone or of a band and a line."""

    inverse: Values  # 1/q
    relative_variance: Values  # (u(q)/q)^2


class FitCoefficients(NamedTuple):
    """u^2(R) = `squared` u^2(S) + `by_signal_squared` S^2 + `by_signal` S + `constant`."""

    slope: Values  # g/q
    squared: Values
    by_signal_squared: Values
    by_signal: Values
    constant: Values


def fold_element(
    dark_noise: Values,
    dark_uncertainty: Values,
    response: Values,
    response_uncertainty: Values,
    electrons_per_count: float,
) -> ElementCoefficients:
    """The coefficients of elements, (band, sample) each as given."""
    noise2 = dark_noise**2
    known = electrons_per_count > 0
    return ElementCoefficients(
        inverse_response=1 / response,
        fixed_variance=(noise2 + dark_uncertainty**2) / response**2,
        read_variance=noise2 / response**2,
        shot=1 / (electrons_per_count * response) if known else np.zeros_like(response),
        response_variance=(response_uncertainty / response) ** 2,
    )


def fold_ratio(ratio: Values, uncertainty: Values) -> RatioCoefficients:
    """The coefficients of an irradiance ratio and its standard uncertainty."""
    return RatioCoefficients(1 / ratio, (uncertainty / ratio) ** 2)


def fold_fit(gain: Values, fit: FitVariance, ratio: RatioCoefficients) -> FitCoefficients:
    """The coefficients of the empirical line at each line's light."""
    slope = gain * ratio.inverse
    squared = slope * slope
    by_signal_squared = fit.gain * (ratio.inverse * ratio.inverse)
    by_signal_squared = by_signal_squared + squared * ratio.relative_variance
    by_signal = 2 * fit.covariance * ratio.inverse
    return FitCoefficients(slope, squared, by_signal_squared, by_signal, fit.offset)


def folded_signal(counts: Values, dark: Values, element: ElementCoefficients) -> Values:
    """S [count], as `signal_from_counts`."""
    return (counts - dark) * element.inverse_response


def folded_noise(signal: Values, element: ElementCoefficients) -> Values:
    """As `noise_variance`."""
    return element.read_variance + np.maximum(signal, 0) * element.shot


def folded_variance(signal: Values, element: ElementCoefficients, fit: FitCoefficients) -> Values:
    """u^2(R), the sum of all `TERMS`; below zero only by rounding."""
    own = element.fixed_variance + np.maximum(signal, 0) * element.shot
    total = fit.squared * (own + signal * signal * element.response_variance)
    total = total + signal * signal * fit.by_signal_squared + signal * fit.by_signal
    return total + fit.constant
