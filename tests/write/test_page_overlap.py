"""The picture of the two strips that differ most."""

from __future__ import annotations

import base64
import io
import re
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from pipeline.radiometry.squares import Overlap
from pipeline.write.page.overlap import overlap_charts
from pipeline.write.page.pictures import CIVIDIS, palette


def made(difference: float, second: str = "strip-02") -> Overlap:
    """30 by 5 squares from row 10 and column 60 on, all but one of them."""
    row, column = (axis.ravel() for axis in np.mgrid[10:40, 60:65])
    kept = (row != 20) | (column != 62)
    row, column = row[kept], column[kept]
    first = np.full(row.size, 0.3)
    apart = np.full(row.size, difference)
    apart[(row == 39) & (column == 64)] = 0.0
    return Overlap("strip-01", second, difference, 0.002, row, column, apart,
                   first, first * (1 + apart))  # fmt: skip


def pictures(svg: str) -> list[NDArray[Any]]:
    """The palette's indices of each picture."""
    found = re.findall(r'href="data:image/png;base64,([^"]+)"', svg)
    return [np.asarray(Image.open(io.BytesIO(base64.b64decode(one)))) for one in found]


def test_it_shows_both_strips_and_what_they_differ_by() -> None:
    [(title, chart, note)] = overlap_charts(made(-0.08))
    assert title == "Where two strips differ most"
    first, second, apart = pictures(chart.svg)
    assert first.shape == second.shape == apart.shape == (5, 30)
    assert len(palette()) == len(CIVIDIS) + 1
    # -8 % on a scale from -20 % to +20 %: 0.3 of the way; the last square has 0, the middle.
    assert apart[0, 0] == round(0.3 * (len(CIVIDIS) - 1))
    assert apart[4, 29] == round(0.5 * (len(CIVIDIS) - 1))
    assert second[0, 0] < first[0, 0]
    assert apart[2, 10] == apart[0, 0]  # the hole
    for said in ("strip-02 is 8 % darker than strip-01", "standard error 0.2 %", "149 cells"):
        assert said in note
    assert "8 % darker" in chart.svg.split(">")[0]
    assert "\u221220 %" in chart.svg
    assert "+20 %" in chart.svg


@pytest.mark.parametrize(("difference", "end"), [(0.003, "10 %"), (0.26, "60 %")])
def test_the_scale_holds_twice_the_difference(difference: float, end: str) -> None:
    [(_, chart, note)] = overlap_charts(made(difference))
    assert f"+{end}" in chart.svg
    assert "brighter" in note


def test_names_are_escaped() -> None:
    [(_, chart, _)] = overlap_charts(made(0.1, "<b>\u202e&"))
    assert "<b>" not in chart.svg
    assert "\u202e" not in chart.svg


def test_without_an_overlap_there_is_no_chart() -> None:
    assert overlap_charts(None) == ()
