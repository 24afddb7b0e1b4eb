"""Lines in doubt on the report page."""

from __future__ import annotations

import base64
import io
from typing import Any

import numpy as np
import pytest
from PIL import Image

import pipeline
from pipeline.write.page.doubts import KINDS, LineDoubts
from pipeline.write.page.pictures import CIVIDIS, palette

NONE = np.zeros(10, bool)


def lines(*which: int) -> Any:
    return np.isin(np.arange(10), which)


def test_the_gravest_doubt_up_to_the_next_kept_line_shows() -> None:
    doubts = LineDoubts(dark=lines(0, 1, 5), light=lines(1, 8), empty=lines(9))
    level = doubts.drawn(np.array([0, 2, 4, 8]), 3)
    assert level.shape == (4, 3)
    heights = [height for _, height in KINDS]
    np.testing.assert_allclose(level[:, 0], [heights[1], 0, heights[0], heights[2]])
    assert "dark signal beyond its captures at lines 0 to 1, 5 to 5" in doubts.says
    assert LineDoubts(NONE, NONE, NONE).says == "none"
    assert not LineDoubts(NONE, NONE, NONE).any


def drawn(page: str, stem: str) -> Any:
    """Palette index of each line of a strip's picture of doubts, and its words."""
    alt = page.index(f"Lines in doubt of strip {stem}")
    image = page[: page.rindex("alt=", 0, alt)]
    uri = image[image.rindex("base64,") + 7 : image.rindex('"')]
    index = np.asarray(Image.open(io.BytesIO(base64.b64decode(uri))))
    return index, page[alt : page.index('"', alt)]


@pytest.fixture
def doubtful(plain_copy: Any) -> Any:
    """Strip 1 with a hole, and a log that ends within it."""
    counts = plain_copy.counts("strip-01")
    counts[60:93] = 0
    counts.tofile(plain_copy.folder / "raw" / "strip-01.raw")
    plain_copy.edit('illumination = "constant"', 'illumination = "irradiance log"')
    times = (plain_copy.folder / "raw" / "strip-01.times.csv").read_text().splitlines()
    last = times[1 + 30].split(",")[1]
    log = plain_copy.folder / "irradiance.csv"
    head, *rows = log.read_text().splitlines()
    log.write_text("\n".join([head, *(row for row in rows if row.split(",")[0] <= last)]) + "\n")
    return plain_copy


def test_extrapolated_light_and_lines_never_written_are_drawn_along_the_strip(
    doubtful: Any,
) -> None:
    run = pipeline.run(doubtful.config, workers=2)
    page = (run.folder / "report.html").read_text()
    index, words = drawn(page, "strip-01")
    assert "light not seen at lines" in words
    assert "never written at lines 60 to 92" in words
    level = index[0] / (len(CIVIDIS) - 1)
    np.testing.assert_allclose(level[60:93], 1)
    np.testing.assert_allclose(level[40:60], KINDS[1][1], atol=0.02)
    assert (level[:20] == 0).all()
    assert len(palette()) == len(CIVIDIS) + 1


def test_a_flight_without_doubts_has_no_such_picture(plain_run: Any) -> None:
    assert "Lines in doubt" not in (plain_run.folder / "report.html").read_text()
