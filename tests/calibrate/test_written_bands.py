"""Where the noisy ends of the band range are cut off: common practice, no source."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.calibrate import kernel_tables
from pipeline.calibrate.prepare import prepare
from pipeline.config.flight import load_config


@pytest.mark.parametrize(
    ("snr", "wanted"),
    [
        ([2.99, 3.0, 3.01, 50.0, 3.0, 2.99], (1, 5)),
        ([3.0, 1.0, 3.0, 1.0, 50.0, 3.0], (0, 6)),
        ([1.0, 1.0, 1.0, 1.0, 1.0, 1.0], (0, 6)),
    ],
)
def test_bands_below_three_times_the_noise_are_left_out_at_the_ends_alone(
    plain_copy: Any, monkeypatch: pytest.MonkeyPatch, snr: list[float], wanted: tuple[int, int]
) -> None:
    plain_copy.edit("[output]", "[quality]\ntrim_band_ends = true\n\n[output]")
    prepared = prepare(load_config(plain_copy.config))
    fitted = prepared.fit.empirical_line
    six = replace(fitted, calibrated=np.ones(6, np.bool_))
    prepared = replace(prepared, fit=replace(prepared.fit, empirical_line=six))
    monkeypatch.setattr(kernel_tables, "median_snr", lambda measured: np.array(snr))
    bands = kernel_tables.written_bands(prepared)
    assert (bands.start, bands.stop) == wanted
