"""The uncertainty budget and the kernel against another implementation of the law of propagation.

Outside source: the `uncertainties` package, linear propagation with correlations (GUM eq. 13).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import xarray as xr
from uncertainties import correlated_values, ufloat

from pipeline.errors import InputError
from pipeline.flags import QualityFlag
from pipeline.inspect.budget import uncertainty_budget
from pipeline.radiometry.equation import TERMS
from pipeline.radiometry.kernel import KernelTable, LineTable, calibrate_block
from pipeline.radiometry.packing import UNCERTAINTY

BANDS = 40
Inputs = dict[str, Any]


def drawn(seed: int) -> Inputs:
    """Inputs of one line and one sample over `BANDS` bands, over the ranges that cameras have."""
    rng = np.random.default_rng(seed)
    n = BANDS
    gain = rng.uniform(5e-5, 3e-4, n)
    correlation = rng.uniform(-0.98, 0.5, n)
    u_gain, u_offset = gain * rng.uniform(0.002, 0.03, n), rng.uniform(2e-4, 6e-3, n)
    share = rng.uniform(0.2, 0.6, n)  # of the fit's variances that is the certificates'
    scatter = rng.uniform(0.05, 0.35, n)
    return {
        "counts": rng.integers(150, 3900, n).astype(np.float64),
        "dark": rng.uniform(80, 140, n),
        "u_dark": rng.uniform(0.02, 2, n),
        "noise": rng.uniform(0.8, 6, n),
        "f": rng.uniform(0.8, 1.2, n),
        "u_f": rng.uniform(0.0, 0.02, n),
        "k": float(rng.uniform(0.5, 30)),
        "q": float(rng.uniform(0.5, 1.4)),
        "u_q": float(rng.uniform(0.0, 0.03)),
        "gain": gain,
        "offset": rng.normal(0, 0.01, n),
        "u_gain": u_gain,
        "u_offset": u_offset,
        "covariance": correlation * u_gain * u_offset,
        "share": share,
        "scatter": scatter,
    }


def by_package(d: Inputs) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Reflectance, its standard uncertainty and the parts of it, each (band,)."""
    value, u = np.empty(BANDS), np.empty(BANDS)
    parts: dict[str, list[float]] = {name: [] for name in TERMS}
    for b in range(BANDS):
        true_net = (d["counts"][b] - d["dark"][b]) / d["f"][b]
        read = ufloat(0, d["noise"][b])
        shot = ufloat(0, np.sqrt(max(true_net * d["f"][b], 0) / d["k"]))
        dark = ufloat(d["dark"][b], d["u_dark"][b])
        f = ufloat(d["f"][b], d["u_f"][b])
        q = ufloat(d["q"], d["u_q"])
        matrix = np.array(
            [
                [d["u_gain"][b] ** 2, d["covariance"][b]],
                [d["covariance"][b], d["u_offset"][b] ** 2],
            ]
        )
        whole = correlated_values([d["gain"][b], d["offset"][b]], matrix)
        fits = {
            "panel_certificate": correlated_values([0, 0], d["share"][b] * matrix),
            "panel_scatter": correlated_values([0, 0], d["scatter"][b] * matrix),
            "fit": correlated_values([0, 0], (1 - d["share"][b] - d["scatter"][b]) * matrix),
        }
        signal = (d["counts"][b] + read + shot - dark) / f
        r = whole[1] + whole[0] * signal / q
        value[b], u[b] = r.nominal_value, r.std_dev
        gain, offset = d["gain"][b], d["offset"][b]
        own = offset + gain * signal / q
        components = {v: abs(e) for v, e in own.error_components().items()}
        for name, variable in (
            ("read_noise", read),
            ("shot_noise", shot),
            ("dark", dark),
            ("relative_response", f),
            ("illumination", q),
        ):
            parts[name].append(components.get(variable, 0.0))
        for name, (more_gain, more_offset) in fits.items():
            term = more_offset + more_gain * (true_net / d["q"])
            parts[name].append(term.std_dev)
    return value, u, {name: np.array(one) for name, one in parts.items()}


def dataset(d: Inputs, reflectance: np.ndarray) -> xr.Dataset:
    """What a cube file of these inputs holds, without packing."""
    band, element = "wavelength", ("wavelength", "sample")

    def fit(prefix: str, share: np.ndarray) -> dict[str, tuple[str, np.ndarray]]:
        return {
            f"{prefix}_gain_variance": (band, share * d["u_gain"] ** 2),
            f"{prefix}_offset_variance": (band, share * d["u_offset"] ** 2),
            f"{prefix}_covariance": (band, share * d["covariance"]),
        }

    return xr.Dataset(
        {
            "reflectance": (("wavelength", "line", "sample"), reflectance[:, None, None]),
            "irradiance_ratio": ("line", [d["q"]]),
            "irradiance_ratio_uncertainty": ("line", [d["u_q"]]),
            "electrons_per_count": d["k"],
            "empirical_gain": (band, d["gain"]),
            "empirical_offset": (band, d["offset"]),
            "empirical_gain_uncertainty": (band, d["u_gain"]),
            "empirical_offset_uncertainty": (band, d["u_offset"]),
            "empirical_gain_offset_covariance": (band, d["covariance"]),
            "relative_response": (element, d["f"][:, None]),
            "relative_response_uncertainty": (element, d["u_f"][:, None]),
            "dark_noise": (element, d["noise"][:, None]),
            "dark_mean_uncertainty": (element, d["u_dark"][:, None]),
            **fit("certificate", d["share"]),
            **fit("scatter", d["scatter"]),
        },
        coords={band: np.linspace(400, 1000, BANDS)},
    )


def kernel_uncertainty(d: Inputs) -> np.ndarray:
    """The kernel's packed standard uncertainty, (band,), as integers of the packing step."""

    def element(values: np.ndarray) -> np.ndarray:
        return np.ascontiguousarray(values[:, None], np.float32)

    def band(values: np.ndarray) -> np.ndarray:
        return np.asarray(values, np.float32)

    f = d["f"]
    none, always = np.zeros(0, np.int32), np.ones(BANDS)
    table = KernelTable(
        dark=element(d["dark"]),
        dark_change=element(0 * f),
        inverse_response=element(1 / f),
        fixed_variance=element((d["noise"] ** 2 + d["u_dark"] ** 2) / f**2),
        read_variance=element(d["noise"] ** 2 / f**2),
        shot=element(1 / (d["k"] * f)),
        response_variance=element((d["u_f"] / f) ** 2),
        element_flags=np.zeros((BANDS, 1), np.uint8),
        gain=band(d["gain"]),
        offset=band(d["offset"]),
        gain_variance=band(d["u_gain"] ** 2),
        offset_variance=band(d["u_offset"] ** 2),
        covariance=band(d["covariance"]),
        low=band(-9 * always),
        high=band(9 * always),
        patch_band=none,
        patch_sample=none,
        patch_left=none,
        patch_right=none,
        patch_weight=np.zeros(0, np.float32),
        saturation_counts=1e9,
        low_signal_snr=0.0,
        blank_mask=int(QualityFlag.NO_CALIBRATION),
    )
    lines = LineTable(
        np.zeros(1, np.float32),
        band(np.array([1 / d["q"]])),
        band(np.array([(d["u_q"] / d["q"]) ** 2])),
        np.zeros(1, np.uint8),
    )
    block = calibrate_block(d["counts"].astype(np.uint16)[None, :, None], table, lines)
    assert block.uncertainty is not None
    return block.uncertainty[:, 0, 0].astype(np.int64)


def two_digits(u: np.ndarray) -> np.ndarray:
    """Standard uncertainties rounded to two significant digits, in packing steps."""
    steps = u / UNCERTAINTY.step
    unit = 10.0 ** np.maximum(np.floor(np.log10(steps)) - 1, 0)
    return np.maximum(np.round(steps / unit) * unit, 1).round().astype(np.int64)


@pytest.mark.parametrize("seed", range(5))
def test_every_term_agrees_with_the_uncertainties_package(seed: int) -> None:
    d = drawn(seed)
    value, u, parts = by_package(d)
    budget = uncertainty_budget(dataset(d, value), 0, 0)
    for name in TERMS:
        np.testing.assert_allclose(
            budget[name], parts[name], rtol=1e-3, atol=1e-9, err_msg=f"{name} by the package"
        )
    np.testing.assert_allclose(budget["combined"], u, rtol=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_the_kernel_agrees_with_the_uncertainties_package_but_for_rounding(seed: int) -> None:
    d = drawn(seed)
    _, u, _ = by_package(d)
    packed = kernel_uncertainty(d)
    assert ((u > 1e-3) & (u < 0.6)).mean() > 0.9
    # A value 0.1 % off either way rounds to the same two digits or to the neighbour across a half.
    assert (two_digits(u * (1 - 1e-3)) <= packed).all()
    assert (packed <= two_digits(u * (1 + 1e-3))).all()


def test_covariance_of_gain_and_offset_matters_here() -> None:
    """The comparison would see the covariance left out."""
    d = drawn(0)
    value, u, _ = by_package(d)
    without = uncertainty_budget(dataset({**d, "covariance": 0 * d["covariance"]}, value), 0, 0)
    assert np.abs(without["combined"].values / u - 1).max() > 0.05


def test_totals_are_those_of_their_terms() -> None:
    d = drawn(7)
    budget = uncertainty_budget(dataset(d, by_package(d)[0]), 0, 0)
    for kind in ("random", "systematic"):
        own = [budget[name].values for name, term in TERMS.items() if term.kind == kind]
        np.testing.assert_allclose(budget[kind], np.sqrt(np.sum(np.square(own), axis=0)))


def test_budget_of_a_run_is_its_files_uncertainty_to_two_digits(rich_run: Any) -> None:
    with xr.open_dataset(rich_run.folder / "strip-01.nc", engine="netcdf4") as cube:
        for line, sample in ((0, 0), (40, 31), (99, 63)):
            stated = cube["reflectance_uncertainty"][:, line, sample].values
            budget = uncertainty_budget(cube, line, sample)["combined"].values
            known = np.isfinite(stated)
            np.testing.assert_array_equal(known, np.isfinite(budget))
            assert known.mean() > 0.9
            # Half a unit of the second digit, at most 5 %, and the packed reflectance behind it.
            np.testing.assert_allclose(budget[known], stated[known], rtol=0.051, atol=5.1e-6)


def test_a_place_outside_the_cube_is_refused() -> None:
    d = drawn(0)
    with pytest.raises(InputError, match="line 1 lies outside"):
        uncertainty_budget(dataset(d, by_package(d)[0]), 1, 0)
    with pytest.raises(InputError, match="not a calibrated cube"):
        uncertainty_budget(xr.Dataset(), 0, 0)
