"""What the kernel calibrates with and what the file tells of it are the same quantities.

Derived, no source: each coefficient of the kernel by hand from the cube file's own variables, as
their attributes say what they are. Two significant digits of a sum would hide a term left out.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.calibrate.cube import CubeTask
from pipeline.calibrate.kernel_tables import cube_task
from pipeline.calibrate.prepare import Preparation, prepare
from pipeline.config.flight import load_config
from pipeline.flags import QualityFlag as Q


@pytest.fixture(scope="module")
def prepared(rich_flight: Any) -> Preparation:
    return prepare(load_config(rich_flight.config))


@pytest.fixture(scope="module")
def task(prepared: Preparation) -> CubeTask:
    return cube_task(prepared, prepared.recording.cubes[1], Path("strip-01.nc"), {})


def alike(found: Any, wanted: Any) -> None:
    """To float32; and the quantity is there to be seen."""
    assert found.dtype == np.float32
    np.testing.assert_allclose(found, wanted, rtol=1e-6)
    assert np.abs(wanted).max() > 0


def test_an_elements_coefficients_are_of_its_variables(task: CubeTask) -> None:
    v = {name: values.astype(float) for name, values in task.product.values.items()}
    f, table = v["relative_response"], task.table
    alike(table.inverse_response, 1 / f)
    alike(table.read_variance, (v["dark_noise"] / f) ** 2)
    alike(table.fixed_variance, (v["dark_noise"] ** 2 + v["dark_mean_uncertainty"] ** 2) / f**2)
    # A dark of a hundred frames adds a hundredth of one frame's variance: seen in six digits.
    assert (table.fixed_variance > 1.001 * table.read_variance).mean() > 0.9
    alike(table.shot, 1 / (v["electrons_per_count"] * f))
    alike(table.response_variance, (v["relative_response_uncertainty"] / f) ** 2)
    alike(table.dark, v["dark_mean"])
    alike(table.dark_change, v["dark_change"])


def test_a_bands_coefficients_are_of_its_variables(task: CubeTask) -> None:
    v, table = task.product.values, task.table
    alike(table.gain, v["empirical_gain"])
    alike(table.offset, v["empirical_offset"])
    alike(table.gain_variance, v["empirical_gain_uncertainty"] ** 2)
    alike(table.offset_variance, v["empirical_offset_uncertainty"] ** 2)
    alike(table.covariance, v["empirical_gain_offset_covariance"])
    alike(table.low, v["panel_reflectance_low"])
    alike(table.high, v["panel_reflectance_high"])
    assert (table.low < table.high).all()


def test_a_lines_coefficients_are_of_its_variables(task: CubeTask) -> None:
    v, lines = task.product.values, task.lines
    ratio, u = v["irradiance_ratio"], v["irradiance_ratio_uncertainty"]
    alike(lines.inverse_ratio, 1 / ratio)
    alike(lines.ratio_variance, (u / ratio) ** 2)
    alike(lines.dark_weight, v["dark_weight"])


def test_the_fits_variables_are_those_of_the_fit(prepared: Preparation, task: CubeTask) -> None:
    v, fit = task.product.values, prepared.fit.empirical_line
    parts = [name for name in vars(fit) if name in v]
    assert len(parts) == 6
    for name in parts:
        np.testing.assert_array_equal(v[name], getattr(fit, name), err_msg=name)
    # Of each quantity both parts are enlarged by one factor, the Birge ratio squared.
    totals = {
        "gain_variance": v["empirical_gain_uncertainty"] ** 2,
        "offset_variance": v["empirical_offset_uncertainty"] ** 2,
        "covariance": v["empirical_gain_offset_covariance"],
    }
    for name, total in totals.items():
        inputs = v[f"certificate_{name}"] + v[f"scatter_{name}"]
        np.testing.assert_allclose(total / inputs, fit.birge**2, rtol=1e-9, err_msg=name)


def test_bands_and_flags_are_the_captures_and_the_configs(
    prepared: Preparation, task: CubeTask
) -> None:
    v, capture = task.product.values, task.capture
    np.testing.assert_array_equal(v["wavelength"], capture.wavelength_nm)
    np.testing.assert_array_equal(v["fwhm"], capture.fwhm_nm)
    bad = prepared.measured.detector.bad.any
    np.testing.assert_array_equal((task.table.element_flags & Q.BAD_ELEMENT) != 0, bad)
    assert bad.any()
    assert task.table.blank_mask == Q.SATURATED | Q.BAD_ELEMENT | Q.NO_CALIBRATION | Q.NO_DATA
    assert task.table.saturation_counts == prepared.config.sensor.saturation_counts
    assert task.table.low_signal_snr == prepared.config.quality.low_signal_snr
