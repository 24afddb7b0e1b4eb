"""The squared term of reflectance over signal, against lines and parabolas written down by hand."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.radiometry.curvature import squared_term

BANDS = 4


def stacked(*rows: float) -> np.ndarray:
    """(panel, band), every band alike."""
    return np.tile(np.array(rows)[:, None], BANDS)


def test_a_straight_line_has_no_squared_term() -> None:
    reflectance = stacked(0.1, 0.3, 0.5)
    effect, _ = squared_term((reflectance + 0.02) * 4000, reflectance, stacked(0.01, 0.01, 0.01))
    np.testing.assert_allclose(effect, 0, atol=1e-10)


def test_a_middle_panel_below_the_chord_is_the_effect_itself() -> None:
    """0.28 where the chord of 0.1 and 0.5 has 0.30; the weights of c are 1/2, -1 and 1/2."""
    signal, u = stacked(200.0, 1000.0, 1800.0), stacked(0.01, 0.01, 0.01)
    effect, error = squared_term(signal, stacked(0.1, 0.28, 0.5), u)
    np.testing.assert_allclose(effect, 0.02 / 0.28, rtol=1e-9)
    np.testing.assert_allclose(error, 0.01 * np.sqrt(1.5) / 0.28, rtol=1e-9)


@pytest.mark.parametrize("lost", ["signal", "reflectance", "uncertainty"])
def test_a_band_without_three_different_panels_is_unknown(lost: str) -> None:
    arrays = {
        "signal": stacked(200.0, 1000.0, 1800.0),
        "reflectance": stacked(0.1, 0.28, 0.5),
        "uncertainty": stacked(0.01, 0.01, 0.01),
    }
    arrays[lost][0, 1] = np.nan
    arrays["signal"][0, 2] = arrays["signal"][1, 2]
    kept = {name: array.copy() for name, array in arrays.items()}
    for found in squared_term(**arrays):
        assert np.isnan(found).tolist() == [False, True, True, False]
    for name, array in arrays.items():
        np.testing.assert_array_equal(array, kept[name])
