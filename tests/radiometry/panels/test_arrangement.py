"""A row of panels in the order of their brightness, and what only looks like one."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.radiometry.panels.arrangement import goes_on, is_row

GREY = np.array([0.5, 0.04, 0.2])
#: At 40 pixels each, 30 apart along a slanting line: bright, dark, grey.
ROW = np.array([[160.0, 64.0], [100.0, 40.0], [130.0, 52.0]])
EVEN = np.full(3, 400.0)


def test_a_slanting_row_by_brightness_whatever_the_order_of_the_config() -> None:
    assert is_row(ROW, EVEN, GREY)
    assert is_row(ROW[[1, 2, 0]], EVEN, GREY[[1, 2, 0]])
    # Lines half as far apart as samples.
    assert is_row(ROW * [2, 1], EVEN * 2, GREY)
    assert is_row(-ROW, EVEN, GREY)


@pytest.mark.parametrize(
    ("what", "middles", "pixels", "brightness"),
    [
        ("out of order", ROW, EVEN, GREY[[0, 2, 1]]),
        ("two of one brightness", ROW, EVEN, np.array([0.5, 0.2, 0.2])),
        ("a corner", np.array([[160, 40], [100, 40], [130, 70.0]]), EVEN, GREY),
        ("uneven steps", np.array([[160, 64], [100, 40], [118, 47.2]]), EVEN, GREY),
        ("one much larger", ROW, np.array([400.0, 400, 900]), GREY),
        ("far apart", ROW * 10, EVEN, GREY),
        ("one on another", ROW * 0, EVEN, GREY),
        ("two", ROW[:2], EVEN[:2], GREY[:2]),
    ],
)
def test_what_is_no_row(
    what: str, middles: np.ndarray, pixels: np.ndarray, brightness: np.ndarray
) -> None:
    assert not is_row(middles, pixels, brightness), what


def test_a_row_that_goes_on_at_either_end() -> None:
    row = ROW[np.argsort(GREY)]
    step = row[1] - row[0]
    for end in (row[0] - step, row[2] + step):
        assert goes_on(row, np.array([[0.0, 0.0], end + 3]), EVEN, np.array([400.0, 500]))
        # Of another size, or off the row: a stone beside the panels.
        assert not goes_on(row, np.array([end]), EVEN, np.array([900.0]))
        assert not goes_on(row, np.array([end + np.array([0, 40])]), EVEN, np.array([400.0]))
    assert not goes_on(row, np.empty((0, 2)), EVEN, np.empty(0))
