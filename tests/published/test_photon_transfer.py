"""Photon transfer on simulated frames.

EMVA 1288 Release 4.0, sect. 2 (linear model): photons are Poisson distributed, so that
variance = dark variance + K_EMVA x mean signal, K_EMVA in counts an electron; ours is its inverse.
"""

import numpy as np
import pytest

from pipeline.radiometry.noise import difference_variance, photon_transfer


@pytest.mark.parametrize("electrons_per_count", [1.5, 5.2, 20.0])
@pytest.mark.parametrize("texture", [0.0, 0.02])
def test_the_gain_comes_back_within_three_per_cent(electrons_per_count, texture):
    rng = np.random.default_rng(15)
    mean = np.linspace(30, 2700, 120)
    light = mean[None, :, None] * (1 + texture * rng.normal(size=(60, 1, 20)))
    light = light * (1 + 0.01 * rng.normal(size=(60, 1, 1)))  # flicker of the light
    electrons = rng.poisson(light * electrons_per_count)
    dark = 100 + rng.normal(0, 3, (2, *light.shape))
    frames = np.rint(electrons / electrons_per_count + dark[0])
    variance = difference_variance(frames - 100)
    dark_variance = np.rint(dark[1]).var(axis=0).mean()
    result = photon_transfer(
        (frames - 100).mean(axis=(0, 2)), variance, dark_variance, saturation_counts=4000
    )
    assert result.electrons_per_count == pytest.approx(electrons_per_count, rel=0.03)
    assert result.read_noise_counts == pytest.approx(np.sqrt(9 + 1 / 12), rel=0.01)
    assert abs(result.electrons_per_count - electrons_per_count) < 4 * result.standard_error
