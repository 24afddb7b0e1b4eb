"""Lines that were never written. Own arithmetic: noise never gives one count throughout."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.radiometry.unwritten import never_written, spans_between


def strip(lines: int = 40) -> np.ndarray:
    return np.random.default_rng(1).integers(90, 900, (lines, 6, 50)).astype(np.uint16)


@pytest.mark.parametrize("count", [0, 205, 3999])
def test_zeros_and_one_value_throughout_are_found(count: int) -> None:
    counts = strip()
    counts[7:9] = count
    counts[20, 3] = count  # one band of a line
    counts[21] = count
    counts[21, 2, 30] = count + 1  # one sample was written
    before = counts.copy()
    assert np.flatnonzero(never_written(counts, 4000)).tolist() == [7, 8]
    np.testing.assert_array_equal(counts, before)


def test_a_line_at_saturation_is_overexposed_and_nan_is_no_count() -> None:
    counts = strip().astype(np.float32)
    counts[3], counts[4], counts[5] = 4000, 4095, np.nan
    assert not never_written(counts, 4000).any()
    assert not never_written(np.zeros((5, 1, 1)), 4000).any()
    assert not never_written(np.zeros((0, 3, 3)), 4000).any()


@pytest.mark.parametrize(
    "spans", [[(0, 7)], [(31, 100)], [(13, 38), (61, 62)], [(0, 100)], [], [(50, 51)]]
)
def test_spans_are_found_to_the_line(spans: list[tuple[int, int]]) -> None:
    empty = np.zeros(100, np.bool_)
    for start, stop in spans:
        empty[start:stop] = True
    looked = np.union1d(np.linspace(0, 99, 12).round().astype(np.intp), [61, 50])
    asked: list[int] = []

    def look(line: int) -> bool:
        asked.append(line)
        return bool(empty[line])

    assert spans_between(looked, empty[looked], look) == spans
    assert len(asked) <= 4 * 2 * len(spans)
