"""The uncertainty of a cube file's reflectance, term by term, from the file alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.radiometry.equation import (
    FitVariance,
    InputQuantities,
    Term,
    combined,
    signal_from_reflectance,
    variance_terms,
)
from pipeline.records import Array
from pipeline.write.schema import terms_in

if TYPE_CHECKING:
    import xarray as xr

Places = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class StoredQuantities:
    """The quantities that a cube's reflectance depends on, as its file holds them, in memory.

    (band,): `gain`, `offset` and the three variances of the fit. (band, sample): `response` and
    `dark_noise` and their uncertainties. `ratio` and its uncertainty are (line,) or (band, line).
    """

    gain: Array
    offset: Array
    fit: FitVariance
    certificate: FitVariance
    scatter: FitVariance
    dark_noise: Array
    dark_uncertainty: Array
    response: Array
    response_uncertainty: Array
    ratio: Array
    ratio_uncertainty: Array
    electrons_per_count: float
    terms: Mapping[str, Term]  # as the file says that their errors go together

    @classmethod
    def of(cls, cube: xr.Dataset) -> StoredQuantities:
        """Of a cube file opened with xarray; InputError where it is none of this program."""

        def stored(name: str) -> Array:
            if name not in cube:
                raise InputError(f"not a calibrated cube: no variable {name}")
            # A damaged number may be a signalling NaN: no number all the same.
            with np.errstate(invalid="ignore"):
                return np.asarray(cube[name].values, np.float64)

        def part(of: str) -> FitVariance:
            return FitVariance(
                stored(f"{of}_gain_variance"),
                stored(f"{of}_offset_variance"),
                stored(f"{of}_covariance"),
            )

        return cls(
            gain=stored("empirical_gain"),
            offset=stored("empirical_offset"),
            fit=FitVariance(
                stored("empirical_gain_uncertainty") ** 2,
                stored("empirical_offset_uncertainty") ** 2,
                stored("empirical_gain_offset_covariance"),
            ),
            certificate=part("certificate"),
            scatter=part("scatter"),
            dark_noise=stored("dark_noise"),
            dark_uncertainty=stored("dark_mean_uncertainty"),
            response=stored("relative_response"),
            response_uncertainty=stored("relative_response_uncertainty"),
            ratio=stored("irradiance_ratio"),
            ratio_uncertainty=stored("irradiance_ratio_uncertainty"),
            electrons_per_count=float(stored("electrons_per_count")),
            terms=terms_in({str(name): cube[name].attrs for name in cube.variables}),
        )

    def at(self, reflectance: Array, line: Places, sample: Places) -> InputQuantities:
        """What the reflectance (band, pixel) of pixels at (line, sample), (pixel,) each, is from.

        NaN where the reflectance is.
        """

        def band(values: NDArray[Any]) -> Array:
            return values[:, None]

        def of_fit(part: FitVariance) -> FitVariance:
            return FitVariance(*(band(values) for values in part))

        ratio = self.ratio[..., line]
        gain = band(self.gain)
        return InputQuantities(
            signal=signal_from_reflectance(reflectance, gain, band(self.offset), ratio),
            dark_noise=self.dark_noise[:, sample],
            dark_uncertainty=self.dark_uncertainty[:, sample],
            response=self.response[:, sample],
            response_uncertainty=self.response_uncertainty[:, sample],
            electrons_per_count=self.electrons_per_count,
            ratio=ratio,
            ratio_uncertainty=self.ratio_uncertainty[..., line],
            gain=gain,
            fit=of_fit(self.fit),
            certificate=of_fit(self.certificate),
            scatter=of_fit(self.scatter),
        )


def uncertainty_budget(dataset: xr.Dataset, line: int, sample: int) -> xr.Dataset:
    """Each term of the standard uncertainty of one sample's reflectance, per band.

    Parameters
    ----------
    dataset : a cube file opened with xarray, decoded; only its stored variables are used
    line, sample : place in the cube, counted from 0

    Returns
    -------
    xarray.Dataset over `wavelength`, each variable a standard uncertainty of reflectance [1]
    (k = 1): the terms of the measurement equation (`radiometry.equation.TERMS`), `random` and
    `systematic` as root sums of squares of theirs, and `combined`. NaN where the sample is blank.
    Each term says how its errors go together along line, sample and band.

    Raises
    ------
    InputError
        The dataset is not a cube of this program, or the place lies outside it.
    """
    import xarray as xr

    if "reflectance" not in dataset:
        raise InputError("not a calibrated cube: no variable reflectance")
    for name, place in (("line", line), ("sample", sample)):
        if not 0 <= place < dataset.sizes[name]:
            raise InputError(f"{name} {place} lies outside the cube's {dataset.sizes[name]}")
    stored = dataset["reflectance"].isel(line=line, sample=sample).values
    reflectance = np.asarray(stored, np.float64)[:, None]
    known = StoredQuantities.of(dataset)
    variances = variance_terms(known.at(reflectance, np.array([line]), np.array([sample])))
    kinds = {kind: [n for n, t in known.terms.items() if t.kind == kind] for kind in _KINDS}
    totals = {kind: combined(variances[name] for name in names) for kind, names in kinds.items()}
    variances |= totals | {"combined": combined(totals.values())}
    blank = ~np.isfinite(reflectance)
    return xr.Dataset(
        {
            name: (
                "wavelength",
                np.where(blank, np.nan, np.sqrt(np.maximum(variance, 0)))[:, 0],
                _described(name, known.terms.get(name)),
            )
            for name, variance in variances.items()
        },
        coords={"wavelength": dataset["wavelength"]},
        attrs={"line": line, "sample": sample},
    )


_KINDS = ("random", "systematic")


def _described(name: str, term: Term | None) -> dict[str, str]:
    described = {"units": "1", "long_name": f"standard uncertainty: {name.replace('_', ' ')}"}
    if term is not None:
        described |= {
            "kind": term.kind,
            "correlation_line": term.line,
            "correlation_sample": term.sample,
            "correlation_band": term.band,
        }
    return described
