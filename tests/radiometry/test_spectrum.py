"""The O2-A shift on simulated spectra; against another library's resampling in tests/published."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.radiometry.spectrum import o2a_shift, smile

CENTRE = np.arange(402.0, 995.0, 2.2)


def spectrum(shift_nm: float = 0.0, fwhm_nm: float = 5.0, surface: str = "grey") -> np.ndarray:
    """Bands at CENTRE + shift under ASTM G173-03, by a plain Gaussian sum over its 1 nm steps."""
    from pvlib.spectrum import get_reference_spectra

    table = get_reference_spectra(standard="ASTM G173-03")["global"].loc[380:1050]
    nm, light = table.index.to_numpy(), table.to_numpy()
    reflectance = {
        "grey": np.full(nm.shape, 0.5),
        "vegetation": 0.05 + 0.45 / (1 + np.exp(-(nm - 718) / 12)),
        "slope": 0.2 + (nm - 400) / 600,
    }[surface]
    sigma = fwhm_nm / 2.354820045
    away = (nm - (CENTRE[:, None] + shift_nm)) / sigma
    weight = np.exp(-0.5 * away**2) * np.gradient(nm)
    return weight @ (light * reflectance) / weight.sum(axis=1)


@pytest.mark.parametrize("surface", ["grey", "vegetation", "slope"])
@pytest.mark.parametrize("shift", [-3.0, -1.0, 0.0, 1.0, 2.5])
@pytest.mark.parametrize("snr", [100, 300])
def test_the_shift_put_in_is_found(surface: str, shift: float, snr: int) -> None:
    rng = np.random.default_rng(7)
    noise = 1 + rng.normal(0, 1 / snr, (CENTRE.size, 100))
    found, error = o2a_shift(CENTRE, 5.0, spectrum(shift, surface=surface)[:, None] * noise)
    assert np.abs(found - shift).max() < 0.2
    assert abs(np.median(found) - shift) < 0.05
    # The sun's own lines beside the dip add to the residual, so the error is on the large side.
    assert np.sqrt(np.mean(((found - shift) / error) ** 2)) < 1.2


def test_the_standard_error_is_the_scatter_where_the_dip_is_the_models_own() -> None:
    sigma, nm = 5.0 / 2.354820045, np.arange(700.0, 820.0, 0.05)
    from pipeline.radiometry.spectrum import _absorptance

    dip = np.interp(nm, *_absorptance(), left=0, right=0)
    weight = np.exp(-0.5 * ((nm - CENTRE[:, None] - 0.4) / sigma) ** 2)
    sums = weight.sum(axis=1)
    clean = 1 - 0.9 * np.divide(weight @ dip, sums, out=np.zeros(CENTRE.size), where=sums > 1)
    noise = np.random.default_rng(11).normal(0, 0.01, (CENTRE.size, 2000))
    found, error = o2a_shift(CENTRE, 5.0, clean[:, None] + noise)
    assert np.mean(found) == pytest.approx(0.4, abs=0.005)
    # The continuum taken beside the dip adds a little that the residual does not see.
    assert np.std(found) / np.median(error) == pytest.approx(1, abs=0.1)


def test_bands_longer_than_the_header_says_give_a_positive_shift() -> None:
    found, _ = o2a_shift(CENTRE, 5.0, spectrum(1.0))
    assert found.shape == ()
    assert found > 0.8


@pytest.mark.parametrize("fwhm", [2.5, 5.0, 8.0, 11.0])
def test_widths_up_to_twelve_nm_are_placed(fwhm: float) -> None:
    found, _ = o2a_shift(CENTRE, fwhm, spectrum(0.5, fwhm))
    assert found == pytest.approx(0.5, abs=0.1)


def test_the_level_does_not_matter_and_input_is_unchanged() -> None:
    levels = spectrum(0.7)
    before = levels.copy()
    a, _ = o2a_shift(CENTRE, 5.0, levels)
    b, _ = o2a_shift(CENTRE, 5.0, 3000 * levels)
    assert a == pytest.approx(float(b), abs=1e-9)
    np.testing.assert_array_equal(levels, before)


@pytest.mark.parametrize(
    ("centre", "fwhm", "level"),
    [
        (CENTRE, 13.0, None),
        (CENTRE[CENTRE < 765], 5.0, None),
        (CENTRE[::7], 5.0, None),
        (CENTRE, 5.0, 0.0),
        (CENTRE, 5.0, -1.0),
        (CENTRE, 5.0, np.nan),
    ],
    ids=["too wide", "not covered", "too far apart", "zero", "negative", "NaN"],
)
def test_what_cannot_be_placed_is_nan(centre: np.ndarray, fwhm: float, level: float | None) -> None:
    levels = np.interp(centre, CENTRE, spectrum())
    if level is not None:
        levels = np.full(centre.shape, level)
    assert np.isnan(o2a_shift(centre, fwhm, levels)).all()


def test_noise_without_a_dip_is_nan() -> None:
    rng = np.random.default_rng(3)
    found, _ = o2a_shift(CENTRE, 5.0, 1 + rng.normal(0, 0.01, (CENTRE.size, 200)))
    assert np.isnan(found).mean() > 0.97


def test_a_smile_is_found_by_groups_of_samples() -> None:
    bend = np.linspace(-1, 1, 64) ** 2 * 0.8
    levels = np.stack([spectrum(shift) for shift in bend], axis=1)
    levels[:, 5] = np.nan
    found, error = smile(CENTRE, 5.0, levels, groups=16)
    assert found.shape == error.shape == (16,)
    np.testing.assert_allclose(found, bend.reshape(16, 4).mean(axis=1), atol=0.06)


def test_fewer_samples_than_groups_give_a_group_each() -> None:
    assert smile(CENTRE, 5.0, np.tile(spectrum()[:, None], 3))[0].shape == (3,)
