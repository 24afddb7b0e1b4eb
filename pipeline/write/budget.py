"""The uncertainty of one sample, term by term, from a cube file alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.errors import InputError

if TYPE_CHECKING:
    import xarray as xr

    from pipeline.records import Array

#: Terms of the budget: name, whether it is random from line to line, what it is correlated over.
TERMS = {
    "read_noise": ("random", "independent from sample to sample"),
    "shot_noise": ("random", "independent from sample to sample"),
    "dark": ("systematic", "common to all lines of an element"),
    "relative_response": ("systematic", "common to all lines of an element"),
    "panel_certificate": ("systematic", "common to all samples and lines"),
    "panel_scatter": ("systematic", "common to all samples and lines of a band"),
    "fit": ("systematic", "common to all samples and lines of a band"),
    "illumination": ("systematic", "common to all samples and bands of a line"),
}


def uncertainty_budget(dataset: xr.Dataset, line: int, sample: int) -> xr.Dataset:
    """Each term of the standard uncertainty of one sample's reflectance, per band.

    Parameters
    ----------
    dataset : a cube file opened with xarray, decoded; only its stored variables are used
    line, sample : place in the cube, counted from 0

    Returns
    -------
    xarray.Dataset over `wavelength`, each variable a standard uncertainty of reflectance [1]
    (k = 1): the terms of `TERMS`, `random` and `systematic` as root sums of squares of theirs, and
    `combined`. NaN where the sample is blank. The terms follow the file's own equation

        u^2(R) = (g/q)^2 u^2(S) + (S/q)^2 u^2(g) + u^2(a) + 2 (S/q) cov(g,a) + (g*S/q^2)^2 u^2(q)

    with u(g), u(a) and cov(g,a) split into what the certificates bring, what the panels' signals
    bring, and the rest, by which the fit was enlarged because it is worse than its inputs say.

    Raises
    ------
    InputError
        The dataset is not a cube of this program, or the place lies outside it.
    """
    import xarray as xr

    missing = [n for n in ("reflectance", "empirical_gain", "dark_noise") if n not in dataset]
    if missing:
        raise InputError(f"not a calibrated cube: no variable {missing[0]}")
    for name, place in (("line", line), ("sample", sample)):
        if not 0 <= place < dataset.sizes[name]:
            raise InputError(f"{name} {place} lies outside the cube's {dataset.sizes[name]}")

    def band(name: str) -> Array:
        return np.asarray(dataset[name].values, np.float64)

    def element(name: str) -> Array:
        return np.asarray(dataset[name].isel(sample=sample).values, np.float64)

    ratio = float(dataset["irradiance_ratio"][line])
    ratio_u = float(dataset["irradiance_ratio_uncertainty"][line])
    k = float(dataset["electrons_per_count"])
    gain = band("empirical_gain")
    reflectance = np.asarray(
        dataset["reflectance"].isel(line=line, sample=sample).values, np.float64
    )
    scaled = (reflectance - band("empirical_offset")) / gain  # S/q
    signal = scaled * ratio
    response = element("relative_response")
    slope = np.abs(gain / ratio)
    shot2 = np.maximum(signal * response, 0) / k if np.isfinite(k) else np.zeros_like(signal)

    def by_fit(gain2: Array, offset2: Array, covariance: Array) -> Array:
        return scaled**2 * gain2 + offset2 + 2 * scaled * covariance

    certificate = by_fit(
        band("certificate_gain_variance"),
        band("certificate_offset_variance"),
        band("certificate_covariance"),
    )
    scatter = by_fit(
        band("scatter_gain_variance"), band("scatter_offset_variance"), band("scatter_covariance")
    )
    whole = by_fit(
        band("empirical_gain_uncertainty") ** 2,
        band("empirical_offset_uncertainty") ** 2,
        band("empirical_gain_offset_covariance"),
    )
    variances = {
        "read_noise": (slope * element("dark_noise") / response) ** 2,
        "shot_noise": slope**2 * shot2 / response**2,
        "dark": (slope * element("dark_mean_uncertainty") / response) ** 2,
        "relative_response": (slope * signal * element("relative_response_uncertainty") / response)
        ** 2,
        "panel_certificate": certificate,
        "panel_scatter": scatter,
        "fit": np.maximum(whole - certificate - scatter, 0),
        "illumination": (gain * scaled * ratio_u / ratio) ** 2,
    }
    totals = {
        kind: sum(
            (variances[name] for name, (own, _) in TERMS.items() if own == kind),
            start=np.zeros_like(gain),
        )
        for kind in ("random", "systematic")
    }
    variances |= totals
    variances["combined"] = totals["random"] + totals["systematic"]
    blank = ~np.isfinite(reflectance)
    return xr.Dataset(
        {
            name: (
                "wavelength",
                np.where(blank, np.nan, np.sqrt(np.maximum(variance, 0))),
                _described(name),
            )
            for name, variance in variances.items()
        },
        coords={"wavelength": dataset["wavelength"]},
        attrs={"line": line, "sample": sample},
    )


def _described(name: str) -> dict[str, str]:
    kind, correlation = TERMS.get(name, ("", ""))
    described = {"units": "1", "long_name": f"standard uncertainty: {name.replace('_', ' ')}"}
    if kind:
        described |= {"kind": kind, "correlation": correlation}
    return described
