"""The small picture of a flight: a few strips, in a few kilobytes, or none."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from pipeline.write.page.pictures import Picture, Strip, jpeg
from pipeline.write.page.small_picture import HEIGHT, PICTURE, WIDTH, write_small_picture


def strip(level: int, lines: int, samples: int, layer: str = "colour") -> Strip:
    plane = np.full((3, lines, samples), level, np.uint8)
    return Strip("strip", lines, samples, (Picture(layer, jpeg(plane), ""),))


def test_strips_from_the_first_to_the_last_lie_one_below_the_other(tmp_path: Path) -> None:
    levels = list(range(0, 240, 24))
    assert write_small_picture(tmp_path / "a.jpg", [strip(v, 200, 60) for v in levels])
    with Image.open(tmp_path / "a.jpg") as picture:
        assert picture.width == WIDTH
        assert picture.height <= HEIGHT
        shown = np.asarray(picture)[:, WIDTH // 2, 0].astype(int)
    white = shown > 245
    edges = np.flatnonzero(np.diff(white.astype(int)))
    assert len(edges) == 6
    middles = [8, HEIGHT // 4 + 12, HEIGHT // 2 + 12, HEIGHT - 12]
    assert np.abs(shown[middles] - np.array([0, 72, 144, 216])).max() < 8
    assert (tmp_path / "a.jpg").stat().st_size < 10_000


def test_a_single_strip_keeps_its_shape(tmp_path: Path) -> None:
    assert write_small_picture(tmp_path / "a.jpg", [strip(90, 400, 100)])
    with Image.open(tmp_path / "a.jpg") as picture:
        assert picture.size == (WIDTH, WIDTH // 4)


def test_without_colours_the_near_infrared_and_without_either_none(tmp_path: Path) -> None:
    assert write_small_picture(tmp_path / "a.jpg", [strip(90, 400, 100, "infrared")])
    assert not write_small_picture(tmp_path / "b.jpg", [strip(90, 400, 100, "low")])
    assert not write_small_picture(tmp_path / "b.jpg", [])
    assert not (tmp_path / "b.jpg").exists()


def test_a_run_has_one_and_lists_it(rich_run: Any) -> None:
    with Image.open(rich_run.folder / PICTURE) as picture:
        assert picture.width == WIDTH
    assert f"  {PICTURE}\n" in (rich_run.folder / "checksums.sha256").read_text()
