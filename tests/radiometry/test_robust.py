"""Robust statistics against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from pipeline.radiometry.robust import robust_sigma


@pytest.mark.parametrize("size", [1, 2, 7, 100])
def test_robust_sigma_is_scipys(size: int) -> None:
    values = np.random.default_rng(size).standard_t(2, size)
    wanted = median_abs_deviation(values, scale="normal")
    assert robust_sigma(values) == pytest.approx(wanted, rel=1e-12)
