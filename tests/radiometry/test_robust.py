"""Robust statistics against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from pipeline.radiometry.robust import robust_sigma, row_medians


@pytest.mark.parametrize("size", [1, 2, 7, 100])
def test_robust_sigma_is_scipys(size: int) -> None:
    values = np.random.default_rng(size).standard_t(2, size)
    wanted = median_abs_deviation(values, scale="normal")
    assert robust_sigma(values) == pytest.approx(wanted, rel=1e-12)


@pytest.mark.parametrize("columns", [1, 2, 7, 8, 16, 17, 50])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.9])
def test_row_medians_are_those_of_numpy_to_the_last_bit(columns: int, share: float) -> None:
    rng = np.random.default_rng(columns)
    values = rng.normal(size=(4, 10, columns))
    values[rng.random(values.shape) < share] = np.nan
    known = np.isfinite(values).any(axis=-1)
    found = row_medians(values)
    assert np.array_equal(found[known], np.nanmedian(values[known], axis=-1))
    assert np.isnan(found[~known]).all()
