"""O2-A against ASTM G173-03 (Reference Air Mass 1.5 Spectra), averaged by `spectral`."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest
from spectral import BandResampler

from pipeline.radiometry import g173 as kept
from pipeline.radiometry.spectrum import o2a_shift

STEP_NM, FWHM_NM = 2.2, 5.0


@pytest.fixture(scope="module")
def g173() -> tuple[np.ndarray, np.ndarray]:
    """Wavelength and global tilted irradiance, 400 to 1000 nm in 1 nm steps."""
    from pvlib.spectrum import get_reference_spectra

    table = get_reference_spectra(standard="ASTM G173-03")["global"].loc[400:1000]
    return table.index.to_numpy(float), table.to_numpy(float)


def test_the_table_has_its_o2a_minimum_at_761_nm(g173: tuple[np.ndarray, np.ndarray]) -> None:
    nm, light = g173
    near = (nm > 740) & (nm < 790)
    assert nm[near][light[near].argmin()] == 761.0
    # The table as printed: 0.15396 W m-2 nm-1.
    assert light[near].min() == pytest.approx(0.15396, abs=5e-6)


def test_the_rows_kept_are_those_of_the_table(g173: tuple[np.ndarray, np.ndarray]) -> None:
    nm, light = g173
    near = (nm >= 738) & (nm <= 788)
    np.testing.assert_array_equal(kept.WAVELENGTH_NM, nm[near])
    np.testing.assert_array_equal(kept.GLOBAL, light[near])


def test_the_script_makes_the_rows_as_they_stand() -> None:
    made = runpy.run_path(str(Path(__file__).with_name("make_g173.py")))["rows"]()
    assert f'"""\n{made}\n"""' in Path(kept.__file__).read_text()


@pytest.mark.parametrize("shift", [-2.0, -1.0, -0.3, 0.0, 0.3, 1.0, 2.0])
def test_shifted_bands_of_the_table_are_found_within_0_2_nm(
    g173: tuple[np.ndarray, np.ndarray], shift: float
) -> None:
    nm, light = g173
    header = np.arange(404.0, 994.0, STEP_NM)
    bands = BandResampler(nm, header + shift, None, np.full(header.size, FWHM_NM))(light)
    found, error = o2a_shift(header, FWHM_NM, bands)
    # The library cuts its Gaussian at the half-width, so the fit is not exact; 0.05 suffices.
    assert found == pytest.approx(shift, abs=0.05)
    assert 0 < error < 0.2
