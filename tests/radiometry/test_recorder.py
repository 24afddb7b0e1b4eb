"""Repeated lines and piled counts. Own arithmetic: noise does neither."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.radiometry.checks import elements, recorder
from pipeline.radiometry.flat import UNLIKE, without_response
from pipeline.radiometry.recorder import NO_PILE, Pile, pile_up, repeated_lines

RNG = np.random.default_rng(3)
COUNTS = RNG.poisson(900, (20, 6, 40)).astype(np.uint16)


def test_lines_that_repeat_are_found_and_no_others() -> None:
    counts = COUNTS.copy()
    counts[5:8] = counts[4]
    counts[12, :, :-1] = counts[11, :, :-1]  # but for one count
    assert np.flatnonzero(repeated_lines(counts)).tolist() == [5, 6, 7]
    assert not repeated_lines(COUNTS).any()


def test_overexposed_and_unwritten_lines_are_other_faults() -> None:
    counts = COUNTS.copy()
    counts[3:6], counts[9:12] = 4095, 0
    assert not repeated_lines(counts).any()
    assert not repeated_lines(np.ones((5, 1, 3), np.uint16)).any()
    assert repeated_lines(counts[:1]).tolist() == [False]


def test_a_line_repeats_the_one_before_its_block() -> None:
    assert np.flatnonzero(repeated_lines(COUNTS, COUNTS[0])).tolist() == [0]
    assert not repeated_lines(COUNTS, COUNTS[5]).any()
    assert repeated_lines(COUNTS[:1], COUNTS[0]).tolist() == [True]


def told(counts: np.ndarray) -> Pile:
    found = pile_up(counts, 4000)
    assert found is not None
    return found


def test_a_recorder_that_clips_piles_counts_up() -> None:
    bright = RNG.normal(2950, 60, (500, 200)).round().astype(np.uint16)
    clipped = np.minimum(bright, 3000)
    clipped[:, 3] = 3500  # a stuck element lies above
    found = told(clipped)
    assert found.at == 3000
    assert found.share == pytest.approx((bright >= 3000).mean(), rel=0.03)
    assert found.times > 10
    assert told(bright).times < 10
    # What is saturated is saturated, and no pile.
    assert (
        pile_up(np.minimum(RNG.normal(3950, 60, 50_000), 4095).astype(np.uint16), 4000).times < 10
    )


def test_counts_that_are_no_whole_numbers_have_no_pile() -> None:
    assert pile_up(np.ones(9), 4000) is None
    assert pile_up(np.full(9, 4095, np.uint16), 4000) == NO_PILE
    assert pile_up(np.zeros(0, np.uint16), 4000) is None


def test_rows() -> None:
    noise = {"cap": 0.0}
    assert recorder.frozen({"a": 0, "cap": 0}, noise).verdict == "pass"
    told = recorder.frozen({"a": 3, "b": 9}, noise)
    assert (told.verdict, told.value, told.subject) == ("fail", 12, "b")
    assert recorder.frozen({"a": 0}, {"cap": 0.9}).verdict == "fail"
    assert recorder.frozen({}, {}).verdict == "not checked"
    assert "thin part" in recorder.frozen({"a": 0}, noise, thin=True).says
    piles = {"a": Pile(2000, 0.001, 2.0), "b": Pile(3000, 0.02, 80.0)}
    told = recorder.pile_up(piles)
    assert (told.verdict, told.subject) == ("caution", "b")
    assert "saturation_counts to 3000" in told.do
    assert recorder.pile_up({"a": piles["a"]}).verdict == "pass"
    assert recorder.pile_up({"a": NO_PILE}).verdict == "pass"
    assert recorder.pile_up({"a": None}).verdict == "not checked"
    assert elements.flat_sound(np.zeros((5, 9))).verdict == "pass"
    assert elements.flat_sound(np.arange(100) < 2).verdict == "caution"
    assert elements.flat_sound(np.arange(100) < 20).verdict == "fail"
    assert elements.flat_sound(None).verdict == "not checked"


def test_an_element_unlike_its_neighbours_tells_no_response() -> None:
    signal = np.full((3, 30), 1000.0) * np.linspace(0.6, 1, 30)
    signal[1, 7] *= 1 - 1.2 * UNLIKE
    signal[2, 0] *= 1 + 1.2 * UNLIKE
    signal[0, 4] *= 1 - 0.8 * UNLIKE
    none = np.zeros(signal.shape, bool)
    found = without_response(signal, np.ones(signal.shape), 100, none, np.zeros(signal.shape))
    assert np.argwhere(found).tolist() == [[1, 7], [2, 0]]
