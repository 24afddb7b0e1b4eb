"""A thin part of a strip, against the file itself; and how large a page of them becomes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.config.sensor import Sensor
from pipeline.draft.glance import MOST_COLUMNS, MOST_GROUPS, MOST_LINES, Glance, glances
from pipeline.draft.look_page import LookData, render_look
from pipeline.read.registry import describe, open_capture
from pipeline.synthetic import FlightPlan, make_flight


def test_blocks_are_means_of_the_raw_counts(tmp_path: Path) -> None:
    plan = FlightPlan(cubes=1, lines=900, samples=150, bands=30, dark_frames=10, manifest=False)
    make_flight(tmp_path, plan)
    capture = describe(tmp_path / "raw" / "strip-00.hdr", Sensor())
    saturation = 1500.0
    (seen,) = glances([capture], saturation)
    with open_capture(capture) as raw:
        counts = raw.lines(0, plan.lines).astype(np.float64)
    assert seen.line_step == 3
    assert seen.counts.shape[0] <= MOST_GROUPS
    assert seen.counts.shape[1] == 300 <= MOST_LINES
    assert seen.counts.shape[2] == 50 <= MOST_COLUMNS
    edges = np.searchsorted(capture.wavelength_nm, seen.group_nm)
    assert (np.diff(edges) > 0).all()
    group, row, column = 4, 17, 9
    bands = np.unique(np.linspace(0, 30, 13).astype(int))
    block = counts[3 * row, bands[group] : bands[group + 1], 3 * column : 3 * column + 3]
    assert seen.counts[group, row, column] == pytest.approx(block.mean(), abs=0.5)
    full = (counts[3 * row] >= saturation).any(axis=0)[3 * column : 3 * column + 3].mean()
    assert seen.saturated[row, column] / 255 == pytest.approx(full, abs=1 / 255)
    assert 0 < seen.saturated.mean() < 255


def noise(name: str, chance: np.random.Generator) -> Glance:
    """A strip of which nothing can be compressed away."""
    return Glance(
        name, 2000, 640, 5, 10, np.linspace(400, 1000, MOST_GROUPS),
        chance.integers(0, 4095, (MOST_GROUPS, MOST_LINES, MOST_COLUMNS)).astype(np.uint16),
        chance.integers(0, 255, (MOST_LINES, MOST_COLUMNS)).astype(np.uint8),
        chance.normal(2000, 150, (3, MOST_LINES, 640)).astype(np.float32),
    )  # fmt: skip


def test_a_page_of_twenty_strips_stays_below_25_mb() -> None:
    chance = np.random.default_rng(1)
    strips = [noise(f"strip-{i:02d}", chance) for i in range(4)]
    data = LookData("f", "says", True, strips, (), (), "flight.toml", "")
    size = len(render_look(data).encode())
    assert size / 4 * 20 < 25e6
    assert size > 3e6


def test_what_strangers_wrote_stays_text(tmp_path: Path) -> None:
    chance = np.random.default_rng(1)
    nasty = "</script><img src=x onerror=alert(1)>\u202e"
    data = LookData(nasty, nasty, False, [noise(nasty, chance)], (), (), "flight.toml", nasty)
    page = render_look(data)
    assert "<img src=x" not in page
    assert "\u202e" not in page
