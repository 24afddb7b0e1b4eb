"""Patches and their matching with panels, on images made here."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.radiometry.panels import matching
from pipeline.radiometry.panels.patches import (
    GROUPS,
    GroupImage,
    find_patches,
    group_bands,
    largest_rectangle,
    nearest_good,
    row_chunks,
)
from pipeline.records import Array, Mask

WAVELENGTH = np.linspace(420.0, 980.0, GROUPS)
WHITE = 3000.0 * np.exp(-(((WAVELENGTH - 600.0) / 200.0) ** 2)) + 200.0
SHAPE = (120, 150)


def image_of(
    surfaces: list[tuple[Mask, Array]],
    *,
    texture: float = 0.15,
    noise: float = 4.0,
    step: int = 1,
    seed: int = 0,
) -> GroupImage:
    """Textured grass with uniform surfaces (mask, reflectance by group) laid on it."""
    rng = np.random.default_rng(seed)
    grass = 0.05 + 0.35 / (1 + np.exp(-(WAVELENGTH - 715) / 15))
    rough = np.exp(texture * rng.standard_normal(SHAPE))
    value = (grass * WHITE)[:, None, None] * rough
    for mask, reflectance in surfaces:
        value = np.where(mask, (reflectance * WHITE)[:, None, None], value)
    value = value[:, ::step]
    a, b = (value + noise * rng.standard_normal(value.shape) for _ in range(2))
    return GroupImage(
        a.astype(np.float32), b.astype(np.float32), np.zeros(value.shape, bool), 0, step
    )


def rectangle(lines: tuple[int, int], samples: tuple[int, int]) -> Mask:
    mask = np.zeros(SHAPE, bool)
    mask[slice(*lines), slice(*samples)] = True
    return mask


def grey(reflectance: float) -> Array:
    return np.full(GROUPS, reflectance)


@pytest.mark.parametrize("reflectance", [0.02, 0.2, 0.6])
@pytest.mark.parametrize("step", [1, 2])
def test_a_panel_on_grass_is_found_and_its_core_clears_the_edges(
    reflectance: float, step: int
) -> None:
    image = image_of([(rectangle((40, 64), (60, 90)), grey(reflectance))], step=step)

    (patch,) = find_patches(image)

    assert 41 <= patch.core_lines[0] < patch.core_lines[1] <= 63
    assert (patch.core_samples[0], patch.core_samples[1]) == (62, 88)
    assert patch.core_pixels >= 18 * 26
    assert patch.signal == pytest.approx(reflectance * WHITE, rel=0.02, abs=1.0)


def test_a_turned_panel_is_found() -> None:
    line, sample = np.indices(SHAPE)
    u = (line - 60) * np.cos(0.5) + (sample - 70) * np.sin(0.5)
    v = -(line - 60) * np.sin(0.5) + (sample - 70) * np.cos(0.5)
    mask = (np.abs(u) < 14) & (np.abs(v) < 18)

    (patch,) = find_patches(image_of([(mask, grey(0.3))]))

    assert mask[slice(*patch.core_lines), slice(*patch.core_samples)].all()
    assert patch.core_pixels >= 100


def test_a_small_panel_is_found_with_25_core_pixels_and_a_smaller_one_is_not() -> None:
    (patch,) = find_patches(image_of([(rectangle((40, 47), (60, 67)), grey(0.3))]))
    assert patch.core_pixels == 25
    assert find_patches(image_of([(rectangle((40, 46), (60, 66)), grey(0.3))])) == []


def test_a_panel_with_a_crease_is_one_patch() -> None:
    crease = rectangle((40, 64), (74, 75))
    panel = rectangle((40, 64), (60, 90)) & ~crease
    image = image_of([(panel, grey(0.3)), (crease, grey(0.27))])
    assert len(find_patches(image)) == 1


def test_ground_without_an_edge_or_a_shape_is_no_patch() -> None:
    line, sample = np.indices(SHAPE)
    ramp = 0.2 + 0.002 * sample  # uniform to the eye everywhere, bounded nowhere
    star = (np.abs(line - 60) < 6) | (np.abs(sample - 70) < 6)
    smooth = image_of([])
    value = (ramp * WHITE[:, None, None]).astype(np.float32)
    assert find_patches(GroupImage(value, value, smooth.saturated, 0, 1)) == []
    assert find_patches(image_of([(star, grey(0.3))])) == []


def test_a_saturated_group_has_no_signal() -> None:
    image = image_of([(rectangle((40, 64), (60, 90)), grey(0.5))])
    image.saturated[4, 45:60, 65:85] = True
    (patch,) = find_patches(image)
    assert np.flatnonzero(np.isnan(patch.signal)).tolist() == [4]


def test_finding_does_not_change_the_image() -> None:
    image = image_of([(rectangle((40, 64), (60, 90)), grey(0.5))])
    before = image.first.copy(), image.second.copy(), image.saturated.copy()
    find_patches(image)
    for a, b in zip(before, (image.first, image.second, image.saturated), strict=True):
        np.testing.assert_array_equal(a, b)


@settings(max_examples=60, deadline=None)
@given(arrays(np.bool_, st.tuples(st.integers(1, 7), st.integers(1, 7))))
def test_no_rectangle_of_true_pixels_is_larger_than_the_largest(mask: Mask) -> None:
    best = max(
        (
            (b - a) * (d - c)
            for a in range(mask.shape[0])
            for b in range(a + 1, mask.shape[0] + 1)
            for c in range(mask.shape[1])
            for d in range(c + 1, mask.shape[1] + 1)
            if mask[a:b, c:d].all()
        ),
        default=0,
    )
    found = largest_rectangle(mask)
    if found is None:
        assert best == 0
        return
    (a, b), (c, d) = found
    assert mask[a:b, c:d].all()
    assert (b - a) * (d - c) == best


def test_group_halves_take_turns_among_the_usable_bands() -> None:
    usable = np.ones(270, bool)
    usable[:10] = False
    first, second = group_bands(usable)
    assert first.shape == second.shape == (GROUPS, 3)
    assert first.min() >= 10
    assert (first < second).all()
    assert not set(first.ravel()) & set(second.ravel())


@pytest.mark.parametrize(("bands", "groups"), [(0, 0), (1, 1), (2, 1), (5, 2), (30, GROUPS)])
def test_groups_of_few_bands(bands: int, groups: int) -> None:
    first, second = group_bands(np.ones(bands, bool))
    assert first.shape == second.shape
    assert len(first) == groups


def test_a_bad_element_is_stood_in_for_by_its_nearest_good_neighbour() -> None:
    bad = np.zeros((2, 5), bool)
    bad[0, [0, 1]] = True
    bad[1] = True
    assert nearest_good(bad).tolist() == [[2, 2, 2, 3, 4], [0, 1, 2, 3, 4]]


@given(st.integers(1, 500), st.integers(20, 90), st.integers(0, 15))
def test_chunks_cover_all_rows_and_overlap(rows: int, most: int, overlap: int) -> None:
    chunks = list(row_chunks(rows, most, overlap))
    assert chunks[0][0] == 0
    assert chunks[-1][1] == rows
    assert all(b - a <= most for a, b in chunks)
    assert all(after[0] == before[1] - overlap for before, after in pairwise(chunks))


SAND = 0.15 + 0.25 * np.sqrt((WAVELENGTH - 400) / 600)
PATH = 0.003 * (WAVELENGTH / 550) ** -2.0


def sets_of(patches: list[Array], panels: list[float]) -> list[matching.PanelSet]:
    """Sets for patches of the given apparent reflectances, each panel allowed everywhere."""
    signal = np.stack([(r + PATH) * WHITE for r in patches])
    return matching.consistent_sets(
        signal,
        np.full(signal.shape, 0.3),
        np.stack([grey(r) for r in panels]),
        np.full(len(panels), 0.01),
        matching.offsets(WAVELENGTH),
        np.ones((len(panels), len(patches)), bool),
    )


def test_panels_are_told_from_sand_and_water_whatever_the_order() -> None:
    water = 0.05 * np.exp(-(WAVELENGTH - 400) / 240) + 0.003
    patches = [grey(0.5), SAND, grey(0.03), water, grey(0.24)]
    (best, *others) = sets_of(patches, [0.03, 0.24, 0.5])
    assert best.choice == (2, 4, 0)
    assert best.cost < 1
    assert matching.rivals([best, *others]) == []
    np.testing.assert_allclose(best.white, WHITE, rtol=0.02)


def test_two_equal_patches_are_rivals() -> None:
    sets = sets_of([grey(0.5), grey(0.03), grey(0.5)], [0.03, 0.5])
    assert len(matching.rivals(sets)) == 1


def test_a_panel_that_is_not_there_leaves_no_set() -> None:
    assert sets_of([grey(0.5), grey(0.03), SAND], [0.03, 0.24, 0.5]) == []


def test_a_tilted_panel_still_fits_and_a_shadowed_one_does_not() -> None:
    panels = [0.03, 0.24, 0.5]
    assert sets_of([grey(0.03), grey(0.24), grey(0.5 * 1.08)], panels)
    assert not sets_of([grey(0.03), grey(0.24), grey(0.5 * 0.35)], panels)


def test_a_panel_saturated_in_some_groups_is_judged_by_the_others() -> None:
    signal = np.stack([(grey(r) + PATH) * WHITE for r in (0.03, 0.5)])
    signal[1, 3:6] = np.nan
    made = matching.judge(
        signal,
        np.full(signal.shape, 0.3),
        np.stack([grey(0.03), grey(0.5)]),
        np.full(2, 0.01),
        matching.offsets(WAVELENGTH),
    )
    assert made.fits
    assert np.flatnonzero(np.isnan(made.white)).tolist() == [3, 4, 5]


def test_one_panel_alone_takes_every_patch() -> None:
    assert [s.choice for s in sets_of([grey(0.5), SAND], [0.5])] == [(0,), (1,)]


def test_light_of_another_level_is_the_same_and_of_another_colour_is_not() -> None:
    assert matching.same_light(WHITE, 0.7 * WHITE)
    assert not matching.same_light(WHITE, WHITE * SAND)
