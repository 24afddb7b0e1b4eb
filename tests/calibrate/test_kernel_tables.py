"""What reaches the kernel: every input of the equation, in its own place.

The wanted numbers are the contract's formulas written out here in double precision, each input
drawn apart from the others, so that one left out or in another's place shows.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.calibrate.cube_variables import band_variables, line_variables
from pipeline.calibrate.darks import CubeDark
from pipeline.calibrate.detector import Detector
from pipeline.calibrate.kernel_tables import kernel_table, line_table, possible_drift
from pipeline.config.flight import load_config
from pipeline.flags import LineFlag, QualityFlag
from pipeline.radiometry.empirical_line import fit_empirical_line
from pipeline.radiometry.kernel import TALLIES, CalibratedBlock, calibrate_block
from pipeline.radiometry.noise import PhotonTransfer
from pipeline.read.inventory import take_inventory
from pipeline.records import (
    BadElements,
    DarkCapture,
    EmpiricalLine,
    FlatField,
    Illumination,
    LineTimes,
    PanelReference,
)

LINES, BANDS, SAMPLES = 6, 5, 7
K = 4.7
RNG = np.random.default_rng(20260618)
SHAPE = (BANDS, SAMPLES)


def drawn(low: float, high: float, *shape: int) -> Any:
    return RNG.uniform(low, high, shape or SHAPE).astype(np.float32)


DARK = CubeDark(
    middle=drawn(90, 110),
    change=drawn(3, 9),
    weight=drawn(-0.5, 0.5, LINES),
    uncertainty=drawn(12, 20),
    extrapolated=np.array([True, False, False, False, True, True]),
)
FLAT = FlatField(drawn(0.8, 1.2), drawn(0.01, 0.03))
NOISE = drawn(12, 20)
NO = np.zeros(SHAPE, np.bool_)
BAD = NO.copy()
BAD[2, 3] = True
LIGHT = Illumination(
    ratio=RNG.uniform(0.7, 1.2, LINES),
    uncertainty=RNG.uniform(0.01, 0.04, LINES),
    extrapolated=np.array([False, False, True, False, False, False]),
)
COUNTS = RNG.integers(300, 3000, (LINES, *SHAPE)).astype(np.uint16)
COUNTS[1, 1, 1] = 4000  # at the saturation count exactly
COUNTS[1, 1, 2] = 3999


def fitted() -> EmpiricalLine:
    reflectance = np.array([[0.05], [0.5]]) * np.ones(BANDS)
    references = [
        PanelReference(f"p{i}", "fit", r, 0.02 * r, np.ones(BANDS, np.bool_))
        for i, r in enumerate(reflectance)
    ]
    signal = np.array([[200.0], [2000.0]]) * RNG.uniform(0.9, 1.1, BANDS)
    usable = np.ones((2, BANDS), np.bool_)
    return fit_empirical_line(references, signal, np.array([[6.0], [9.0]]) * np.ones(BANDS), usable)


FIT = fitted()


def detector(**changes: Any) -> Detector:
    made = Detector(
        darks=(),
        noise=NOISE,
        bad=BadElements(hot=BAD, dead=NO, stuck=NO, noisy=NO),
        flat=FLAT,
        flat_signal=None,
        transfer=PhotonTransfer(math.nan, math.nan, math.nan),
        electrons_per_count=K,
    )
    return replace(made, **changes)


@pytest.fixture
def config(plain_flight: Any) -> Any:
    return load_config(plain_flight.config)


def calibrated(config: Any, light: Illumination = LIGHT, drift: float = 0.0) -> CalibratedBlock:
    table = kernel_table(config, detector(), FIT, DARK, slice(0, BANDS))
    return calibrate_block(COUNTS, table, line_table(light, DARK, np.full(LINES, drift)))


def wanted() -> tuple[Any, Any]:
    """Reflectance and its standard uncertainty, (band, line, sample)."""

    def element(values: Any) -> Any:
        return values.astype(np.float64)[:, None, :]

    def band(values: Any) -> Any:
        return values[:, None, None]

    q, u_q = LIGHT.ratio[None, :, None], LIGHT.uncertainty[None, :, None]
    f, u_f = element(FLAT.response), element(FLAT.uncertainty)
    dark = element(DARK.middle) + DARK.weight.astype(float)[None, :, None] * element(DARK.change)
    g, a = band(FIT.gain), band(FIT.offset)
    s = (COUNTS.astype(np.float64).transpose(1, 0, 2) - dark) / f
    u2_s = (element(NOISE) ** 2 + np.maximum(s * f, 0) / K) / f**2
    u2_s = u2_s + element(DARK.uncertainty) ** 2 / f**2 + (s * u_f / f) ** 2
    u2 = (g / q) ** 2 * u2_s + (s / q) ** 2 * band(FIT.gain_variance)
    u2 = u2 + band(FIT.offset_variance) + 2 * (s / q) * band(FIT.covariance)
    u2 = u2 + (g * s / q**2) ** 2 * u_q**2
    return a + g * s / q, np.sqrt(u2)


def test_reflectance_and_uncertainty_are_the_contracts_formulas(config: Any) -> None:
    block = calibrated(config)
    reflectance, uncertainty = wanted()
    assert block.uncertainty is not None
    blank = block.flags & (QualityFlag.SATURATED | QualityFlag.BAD_ELEMENT) != 0
    assert blank.sum() == LINES + 1
    clear = ~blank
    np.testing.assert_allclose(
        block.reflectance[clear] * 1e-4, reflectance[clear], atol=0.51e-4, rtol=0
    )
    # Two significant digits: within half a step of the last, 5 % of the value at most.
    ratio = block.uncertainty[clear] * 1e-5 / uncertainty[clear]
    np.testing.assert_allclose(ratio, 1, atol=0.052)
    assert abs(np.mean(ratio) - 1) < 0.005


@pytest.mark.parametrize("term", ["noise", "dark", "response", "ratio", "gain", "shot"])
def test_each_term_would_be_missed(config: Any, term: str) -> None:
    # The comparison above can fail: no term of these inputs is too small to be seen.
    whole = calibrated(config).uncertainty
    dark, fit, light, made = DARK, FIT, LIGHT, detector()
    match term:
        case "noise":
            made = detector(noise=np.zeros_like(NOISE))
        case "dark":
            dark = replace(DARK, uncertainty=np.zeros_like(DARK.uncertainty))
        case "response":
            made = detector(flat=replace(FLAT, uncertainty=np.zeros_like(FLAT.uncertainty)))
        case "ratio":
            light = replace(LIGHT, uncertainty=np.zeros(LINES))
        case "gain":
            fit = replace(FIT, gain_variance=np.zeros(BANDS))
        case "shot":
            made = detector(electrons_per_count=math.nan)
    table = kernel_table(config, made, fit, dark, slice(0, BANDS))
    less = calibrate_block(COUNTS, table, line_table(light, dark, np.zeros(LINES))).uncertainty
    assert whole is not None
    assert less is not None
    known = whole < 65000
    assert np.mean(less[known] / whole[known]) < 0.99


def test_saturation_begins_at_its_count(config: Any) -> None:
    flags = calibrated(config).flags & QualityFlag.SATURATED
    assert flags[1, 1, 1]
    assert flags.sum() == QualityFlag.SATURATED
    tallies = calibrated(config).tallies
    assert tallies[:, TALLIES.index("saturated")].tolist() == [0, 1, 0, 0, 0]
    outside = calibrated(config).flags & QualityFlag.OUTSIDE_PANEL_RANGE != 0
    assert tallies[:, TALLIES.index("outside")].tolist() == outside.sum(axis=(1, 2)).tolist()
    assert outside.any()


@pytest.mark.parametrize(("drift", "lines"), [(0.9, []), (1.1, [0, 4, 5])])
def test_lines_whose_dark_may_have_moved_are_told(
    config: Any, drift: float, lines: list[int]
) -> None:
    flags = calibrated(config, drift=drift).flags & QualityFlag.DARK_UNCERTAIN
    assert np.flatnonzero(flags.all(axis=(0, 2))).tolist() == lines
    assert np.flatnonzero(flags.any(axis=(0, 2))).tolist() == lines


def test_the_dark_may_go_on_as_it_went_beyond_its_captures() -> None:
    def capture(time_s: float, level: float) -> DarkCapture:
        mean = np.full(SHAPE, level, np.float32)
        return DarkCapture("cap", time_s, 9, 9, mean, mean, np.full(9, level), NO)

    moved = possible_drift([capture(100, 90), capture(200, 95)], np.array([80.0, 100, 150, 240]))
    np.testing.assert_allclose(moved, [1, 0, 0, 2])
    assert possible_drift([capture(100, 90)], np.array([500.0])).tolist() == [0]


def test_a_line_flag_tells_of_time_and_light() -> None:
    times = LineTimes(np.arange(LINES), np.array([0, 1, 2, 0, 0, 3], np.uint8), 0.0045)
    flags = line_variables(times, LIGHT, DARK)["line_flag"]
    assert flags.tolist() == [0, 1, 2 | LineFlag.ILLUMINATION_EXTRAPOLATED, 0, 0, 3]


def test_a_low_signal_is_low_against_one_frames_noise_alone(config: Any) -> None:
    table = kernel_table(config, detector(), FIT, DARK, slice(0, BANDS))
    np.testing.assert_allclose(table.read_variance, (NOISE / FLAT.response) ** 2, rtol=1e-5)


def test_each_of_the_fits_variances_goes_under_its_own_name(config: Any) -> None:
    capture = take_inventory(config).cubes[0]
    values = band_variables(capture, FIT, slice(1, 4))
    for name in ("certificate", "scatter"):
        for part in ("gain_variance", "offset_variance", "covariance"):
            wanted = getattr(FIT, f"{name}_{part}")[1:4]
            np.testing.assert_array_equal(values[f"{name}_{part}"], wanted)
            assert wanted.all()
    np.testing.assert_array_equal(values["empirical_gain_offset_covariance"], FIT.covariance[1:4])
    np.testing.assert_array_equal(values["panel_reflectance_low"], FIT.low[1:4])
