"""The compiled kernel and its plain twin agree bit for bit, whatever they are given."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.flags import QualityFlag as Q
from pipeline.radiometry.kernel import (
    KernelTable,
    LineTable,
    calibrate_block,
)
from pipeline.radiometry.kernel_twin import calibrate_block_numpy

#: Order of axes in memory, as bil, bip, bsq and a cut through bands give them.
LAYOUTS = ("bil", "bip", "bsq", "cut")
DTYPES = ("u1", "u2", "i2", "u4", "i4", "f4")


def laid_out(counts: np.ndarray[Any, Any], layout: str) -> np.ndarray[Any, Any]:
    match layout:
        case "bip":
            return np.ascontiguousarray(counts.transpose(0, 2, 1)).transpose(0, 2, 1)
        case "bsq":
            return np.ascontiguousarray(counts.transpose(1, 0, 2)).transpose(1, 0, 2)
        case "cut":
            wide = np.concatenate([counts, counts[:, :1], counts[:, :1]], axis=1)
            return wide[:, : counts.shape[1]]
    return counts


def counts_of(rng: np.random.Generator, shape: tuple[int, ...], dtype: str) -> Any:
    """Counts about the saturation and about the dark, negative where the type allows, and no
    numbers at all among floats."""
    kind = np.dtype(dtype)
    if kind.kind == "f":
        values = rng.choice([-1e30, -5.5, 0.0, 99.9, 100.1, 2000.25, 4000.0, 1e9], shape)
        values = np.where(rng.random(shape) < 0.1, rng.choice([np.nan, np.inf, -np.inf]), values)
        return (values + rng.normal(0, 1, shape)).astype(kind)
    info = np.iinfo(kind)
    low, high = max(info.min, -300), min(info.max, 5000)
    values = rng.integers(low, high, shape, endpoint=True)
    edge = rng.choice([info.min, info.max, min(4000, info.max), min(3999, info.max)], shape)
    return np.where(rng.random(shape) < 0.15, edge, values).astype(kind)


def patches(rng: np.random.Generator, bad: np.ndarray[Any, Any]) -> tuple[Any, ...]:
    rows = []
    for b, s in zip(*np.nonzero(bad), strict=True):
        good = np.flatnonzero(~bad[b])
        if good.size:
            left, right = rng.choice(good), rng.choice(good)
            rows.append((b, s, left, right, rng.random()))
    made = np.array(rows, float).reshape(-1, 5)
    whole = [np.ascontiguousarray(made[:, i], np.int32) for i in range(4)]
    return (*whole, np.ascontiguousarray(made[:, 4], np.float32))


@st.composite
def cases(draw: st.DrawFn) -> tuple[Any, KernelTable, LineTable, bool]:
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    lines, bands, samples = (draw(st.integers(1, n)) for n in (5, 4, 33))
    dtype, layout = draw(st.sampled_from(DTYPES)), draw(st.sampled_from(LAYOUTS))
    # Gains from none to absurd, so that each limit of the packing is met.
    scale = draw(st.sampled_from([0.0, 1e-6, 1 / 4000, 1e-3, 1.0, 1e20, 3e38, np.inf]))
    spread = draw(st.sampled_from([0.0, 1e-12, 1e-6, 1e-2, 1e10, np.inf]))

    def element(low: float, high: float) -> Any:
        return rng.uniform(low, high, (bands, samples)).astype(np.float32)

    def band(low: float, high: float) -> Any:
        return rng.uniform(low, high, bands).astype(np.float32)

    signs = rng.choice([-1, 1, 1, 1], bands)
    with np.errstate(invalid="ignore", over="ignore"):
        gain = (band(0.5, 1.5) * signs * scale).astype(np.float32)
        variance = (band(0, 1) * np.float32(spread)).astype(np.float32)
    bad = rng.random((bands, samples)) < draw(st.sampled_from([0.0, 0.2, 1.0]))
    patched = draw(st.booleans())
    none = (*[np.zeros(0, np.int32)] * 4, np.zeros(0, np.float32))
    blank = draw(st.integers(0, 255)) | Q.NO_CALIBRATION | Q.NO_DATA
    flags = np.where(bad, Q.BAD_ELEMENT, 0) | np.where(
        rng.random((bands, samples)) < 0.05, Q.NO_CALIBRATION, 0
    )
    table = KernelTable(
        element(90, 110), element(-20, 20), element(0.8, 1.25), element(0, 30), element(0, 30),
        element(0, 0.5), element(0, 1e-3), np.ascontiguousarray(flags, np.uint8),
        gain, band(-0.1, 0.1), variance, band(0, 1e-3), band(-1e-4, 1e-4),
        band(-0.2, 0.2), band(0.3, 1.2), *(patches(rng, bad) if patched else none),
        saturation_counts=draw(st.sampled_from([0.0, 200.0, 4000.0, 4095.5])),
        low_signal_snr=draw(st.sampled_from([0.0, 3.0, 1e3])),
        blank_mask=int(blank),
    )  # fmt: skip
    ratio = rng.uniform(0.2, 2.0, lines).astype(np.float32)
    per_line = LineTable(
        rng.uniform(-1, 2, lines).astype(np.float32),
        (1 / ratio).astype(np.float32),
        rng.uniform(0, 1e-3, lines).astype(np.float32),
        rng.choice([0, 0, Q.DARK_UNCERTAIN, Q.NO_DATA], lines).astype(np.uint8),
    )
    counts = laid_out(counts_of(rng, (lines, bands, samples), dtype), layout)
    return counts, table, per_line, draw(st.booleans())


@settings(max_examples=300, deadline=None)
@given(cases())
def test_compiled_and_plain_kernel_agree_bit_for_bit(case: Any) -> None:
    counts, table, lines, uncertainty = case
    before = counts.copy()
    with np.errstate(all="ignore"):
        fast = calibrate_block(counts, table, lines, uncertainty=uncertainty)
        plain = calibrate_block_numpy(counts, table, lines, uncertainty=uncertainty)
    np.testing.assert_array_equal(counts, before)
    for name in ("reflectance", "uncertainty", "flags", "tallies"):
        one, other = getattr(fast, name), getattr(plain, name)
        assert (one is None) == (other is None)
        if one is not None:
            assert one.dtype == other.dtype
            np.testing.assert_array_equal(one, other, err_msg=name)


@settings(max_examples=30, deadline=None)
@given(cases())
def test_the_plain_kernel_takes_a_ratio_by_band_too(case: Any) -> None:
    counts, table, lines, uncertainty = case
    bands = counts.shape[1]
    by_band = replace(
        lines,
        inverse_ratio=np.repeat(lines.inverse_ratio[None], bands, axis=0),
        ratio_variance=np.repeat(lines.ratio_variance[None], bands, axis=0),
    )
    with np.errstate(all="ignore"):
        one, other = (
            calibrate_block_numpy(counts, table, part, uncertainty=uncertainty)
            for part in (lines, by_band)
        )
    np.testing.assert_array_equal(one.reflectance, other.reflectance)
    np.testing.assert_array_equal(one.flags, other.flags)
    if uncertainty:
        np.testing.assert_array_equal(one.uncertainty, other.uncertainty)


@settings(max_examples=100, deadline=None)
@given(cases())
def test_blank_means_flagged_and_the_two_fills_go_together(case: Any) -> None:
    counts, table, lines, _ = case
    with np.errstate(all="ignore"):
        block = calibrate_block(counts, table, lines)
    assert block.uncertainty is not None
    blank = block.reflectance == -32768
    np.testing.assert_array_equal(blank, block.uncertainty == 65535)
    assert ((block.flags[blank] & (table.blank_mask | Q.BEYOND_PACKING)) != 0).all()
    assert blank[(block.flags & table.blank_mask) != 0].all()
    # What is there and beyond its packing is an uncertainty.
    there = ~blank & ((block.flags & Q.BEYOND_PACKING) != 0)
    assert (block.uncertainty[there] == 65000).all()


@pytest.mark.parametrize("bands", [1, 3, 10])
def test_a_line_does_not_depend_on_its_block(bands: int) -> None:
    rng = np.random.default_rng(bands)
    table_case = counts_of(rng, (7, bands, 20), "u2")
    ones = np.ones((bands, 20), np.float32)
    zero = np.zeros(bands, np.float32)
    none = (*[np.zeros(0, np.int32)] * 4, np.zeros(0, np.float32))
    table = KernelTable(
        100 * ones, ones, ones, ones, ones, ones, 1e-4 * ones, np.zeros((bands, 20), np.uint8),
        zero + np.float32(1 / 3000), zero, zero, zero, zero, zero, zero + 1, *none,
        saturation_counts=4000, low_signal_snr=3, blank_mask=21,
    )  # fmt: skip
    weight = np.linspace(0, 1, 7, dtype=np.float32)
    lines = LineTable(weight, 1 + weight, 0 * weight, np.zeros(7, np.uint8))
    whole = calibrate_block(table_case, table, lines)
    assert whole.uncertainty is not None
    for start, stop in ((0, 3), (3, 4), (4, 7)):
        part = calibrate_block(table_case[start:stop], table, lines.part(start, stop))
        np.testing.assert_array_equal(part.reflectance, whole.reflectance[:, start:stop])
        np.testing.assert_array_equal(part.uncertainty, whole.uncertainty[:, start:stop])
        np.testing.assert_array_equal(part.flags, whole.flags[:, start:stop])
