"""Previews: what is kept is exactly what the cube has there, whatever the blocks."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.flags import QualityFlag
from pipeline.radiometry.kernel import CalibratedBlock
from pipeline.radiometry.packing import REFLECTANCE, UNCERTAINTY
from pipeline.radiometry.preview import (
    composite_bands,
    join,
    preview_block,
    preview_plan,
    thinned,
    to_srgb,
    to_xyz,
    xyz_weights,
)

NM = np.linspace(400, 1000, 61)
LINES, SAMPLES = 150, 40


def cube(lines=LINES, samples=SAMPLES, bands=NM.size, *, uncertainty=True):
    rng = np.random.default_rng(3)
    shape = (bands, lines, samples)
    return CalibratedBlock(
        rng.integers(-200, 9000, shape).astype(np.int16),
        rng.integers(1, 900, shape).astype(np.uint16) if uncertainty else None,
        rng.integers(0, 64, shape).astype(np.uint8),
        np.zeros((bands, 7), np.int64),
    )


def part_of(block, lines):
    u = block.uncertainty
    return CalibratedBlock(
        block.reflectance[:, lines].copy(),
        None if u is None else u[:, lines].copy(),
        block.flags[:, lines].copy(),
        block.tallies,
    )


def previewed(block, plan, height=64, order=1):
    starts = range(0, block.flags.shape[1], height)
    parts = [preview_block(plan, s, part_of(block, slice(s, s + height))) for s in starts]
    return join(plan, parts[::order])


@pytest.fixture(scope="module")
def plan():
    return preview_plan(NM, LINES, SAMPLES, budget_bytes=40_000)


def test_spectra_are_those_of_the_cube_at_the_grid(plan):
    block = cube()
    found = previewed(block, plan)
    at = np.ix_(np.arange(NM.size), plan.spectra.line_index, plan.spectra.sample_index)
    np.testing.assert_array_equal(found.spectra, block.reflectance[at])
    np.testing.assert_array_equal(found.spectra_uncertainty, block.uncertainty[at])
    np.testing.assert_array_equal(found.spectra_flags, block.flags[at])


@pytest.mark.parametrize(("height", "order"), [(1, 1), (7, -1), (64, -1), (LINES, 1)])
def test_blocks_of_any_height_in_any_order_give_the_same(plan, height, order):
    block = cube()
    whole, found = previewed(block, plan, LINES), previewed(block, plan, height, order)
    for name in ("spectra", "saturated", "low_signal", "uncertainty", "composite"):
        np.testing.assert_array_equal(getattr(found, name), getattr(whole, name))
    np.testing.assert_allclose(found.xyz, whole.xyz, rtol=1e-5)


def test_a_part_keeps_nothing_of_the_block_it_came_from(plan):
    block = part_of(cube(), slice(0, 64))
    before = pickle.dumps(vars(block))
    part = preview_block(plan, 0, block)
    assert pickle.dumps(vars(block)) == before
    kept = part.spectra.copy(), part.spectra_flags.copy(), part.uncertainty.copy()
    block.reflectance[:], block.flags[:], block.uncertainty[:] = 0, 0, 0
    for old, new in zip(kept, (part.spectra, part.spectra_flags, part.uncertainty), strict=True):
        np.testing.assert_array_equal(old, new)


def test_maps_are_shares_of_bands_and_the_median_leaves_blanks_out(plan):
    block = cube()
    block.flags[:] = 0
    block.flags[: NM.size // 2] = QualityFlag.SATURATED
    block.flags[:, :, :3] |= np.uint8(QualityFlag.LOW_SIGNAL)
    block.uncertainty[:] = 500
    block.uncertainty[: NM.size // 2] = UNCERTAINTY.fill
    block.uncertainty[:, : LINES // 2] = UNCERTAINTY.fill
    found = previewed(block, plan)
    assert found.saturated == pytest.approx((NM.size // 2) / NM.size)
    dim = plan.picture.sample_index < 3
    assert dim.any()
    assert (found.low_signal == dim).all()
    late = plan.picture.line_index >= LINES // 2
    assert np.isnan(found.uncertainty[~late]).all()
    assert found.uncertainty[late] == pytest.approx(0.005)


def test_without_uncertainty_there_is_none(plan):
    found = previewed(cube(uncertainty=False), plan)
    assert found.uncertainty is None
    assert found.spectra_uncertainty is None


def test_a_blank_band_leaves_colour_and_most_blank_bands_take_it_away():
    weights = xyz_weights(NM)
    grey = np.full((NM.size, 1, 2), 0.3, np.float32)
    grey[20, 0, 0] = np.nan
    grey[:30, 0, 1] = np.nan
    xyz = to_xyz(grey, weights)
    np.testing.assert_allclose(xyz[:, 0, 0], 0.3 * weights.sum(axis=1), rtol=1e-5)
    assert np.isnan(xyz[:, 0, 1]).all()
    assert (to_srgb(xyz)[:, 0, 1] == 153).all()


def test_fill_is_no_reflectance(plan):
    block = cube()
    block.reflectance[:] = REFLECTANCE.fill
    found = previewed(block, plan)
    assert np.isnan(found.xyz).all()
    assert np.isnan(found.composite).all()
    assert (found.spectra == REFLECTANCE.fill).all()


@pytest.mark.parametrize(
    ("wavelength", "colour", "infrared"),
    [
        (np.linspace(400, 1000, 270), True, True),
        (np.linspace(400, 720, 60), True, False),
        (np.linspace(500, 1000, 60), False, True),
        (np.linspace(900, 1700, 60), False, False),
        (np.array([430.0, 670.0]), False, False),
        (np.array([550.0]), False, False),
    ],
)
def test_pictures_are_there_only_where_the_bands_reach(wavelength, colour, infrared):
    assert (xyz_weights(wavelength) is not None) == colour
    assert (composite_bands(wavelength) is not None) == infrared


@given(
    lines=st.integers(1, 5000),
    samples=st.integers(1, 2000),
    bands=st.integers(1, 400),
    cubes=st.integers(1, 200),
)
def test_a_plan_keeps_to_its_budget_but_for_four_by_four_spectra(lines, samples, bands, cubes):
    budget = 3_600_000 / cubes
    made = preview_plan(np.linspace(400, 1000, bands), lines, samples, budget_bytes=budget)
    picture = made.picture.line_index.size * made.picture.sample_index.size
    spectra = made.spectra.line_index.size * made.spectra.sample_index.size
    assert picture > 0
    assert made.picture.sample_index.size <= 321
    assert spectra >= min(lines, 4) * min(samples, 4)
    assert spectra <= 49 or spectra * made.kept_bands * 2.0 <= budget


def test_thinned_spectra_lie_where_their_grid_says(plan):
    latitude = np.arange(LINES)[:, None] + np.arange(SAMPLES) / 1000
    parts = [preview_block(plan, 0, cube())]
    whole = join(plan, parts, latitude, -latitude)
    few = thinned(whole)
    at = np.ix_(few.plan.spectra.line_index, few.plan.spectra.sample_index)
    np.testing.assert_array_equal(few.latitude, latitude[at])
    np.testing.assert_array_equal(few.spectra[0], cube().reflectance[0][at])
    assert few.spectra.size < whole.spectra.size


def test_the_outline_goes_around_the_strip_and_passes_over_unknown_lines(plan):
    latitude = np.repeat(np.arange(LINES, dtype=float)[:, None], SAMPLES, axis=1)
    longitude = np.repeat(np.arange(SAMPLES, dtype=float)[None], LINES, axis=0)
    latitude[:10] = np.nan
    found = join(plan, [preview_block(plan, 0, cube())], latitude, longitude)
    assert np.isfinite(found.outline).all()
    assert found.outline.min(axis=0) == pytest.approx([0, 10])
    assert found.outline.max(axis=0) == pytest.approx([SAMPLES - 1, LINES - 1])


def test_previews_cross_processes(plan):
    found = pickle.loads(pickle.dumps(previewed(cube(), plan)))
    assert found.plan.spectra == found.plan.spectra
    assert found.spectra.shape[0] == NM.size


def test_the_uncertainty_shown_is_the_median_over_bands(plan):
    block = cube()
    block.uncertainty[:] = np.arange(NM.size)[:, None, None] * 10 + 1
    found = previewed(block, plan)
    middle = (NM.size // 2) * 10 + 1
    assert found.uncertainty == pytest.approx(middle * 1e-5, rel=0.06)
