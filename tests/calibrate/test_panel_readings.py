"""Panels from their windows in the config to points of the empirical line."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.calibrate.panels.readings import (
    PanelLines,
    PanelWindow,
    combined,
    read_core,
    read_lines,
    references,
    stretches,
    windows_in_config,
)
from pipeline.calibrate.prepare import prepare
from pipeline.config.flight import load_config
from pipeline.errors import ConfigError
from pipeline.read.inventory import take_inventory
from pipeline.read.registry import open_capture
from pipeline.records import Illumination, LineTimes, PanelReading, PanelReference


def reading(panel: str, signal: float, u: float, saturated: float = 0.0) -> PanelReading:
    """One pass in two bands; the second is at saturation in `saturated` of its samples."""
    one = np.ones(2)
    return PanelReading(
        panel=panel, cube="strip-00", lines=(0, 5), samples=(0, 5), core=np.ones((5, 5), bool),
        time_s=0.0, signal=signal * one, uncertainty=u * one, dark_uncertainty=0 * one,
        saturated_share=np.array([0.0, saturated]), uniformity=0 * one, peak_counts=signal,
    )  # fmt: skip


def reference(name: str, use: Any = "fit", covered: bool = True) -> PanelReference:
    return PanelReference(name, use, np.full(2, 0.5), np.full(2, 0.01), np.full(2, covered))


def light(*ratio: float, u: float = 0.0) -> Illumination:
    """Light at the readings."""
    return Illumination(np.array(ratio), np.full(len(ratio), u), np.zeros(len(ratio), bool))


def test_windows_are_those_of_the_config_trimmed_to_the_core(plain_flight: Any) -> None:
    config = load_config(plain_flight.config)
    cubes = {c.name: c for c in take_inventory(config).cubes}
    windows = windows_in_config(config, cubes)
    assert [w.panel for w in windows] == ["grey-03", "grey-12", "grey-24", "grey-50"]
    for window, panel in zip(windows, config.panel, strict=True):
        place: Any = panel.where[0]
        for core, given in ((window.lines, place.lines), (window.samples, place.samples)):
            assert given[0] < core[0] < core[1] < given[1]
        assert window.how == "window"


def test_a_window_outside_its_cube_names_key_and_size(plain_copy: Any) -> None:
    plain_copy.edit("lines = [49, 64]", "lines = [49, 1064]")
    config = load_config(plain_copy.config)
    cubes = {c.name: c for c in take_inventory(config).cubes}
    with pytest.raises(ConfigError, match=r"panel\[2\]\.where\.lines: \[49, 1064\].*100 lines"):
        windows_in_config(config, cubes)


def test_certificates_are_read_once_a_name(plain_flight: Any) -> None:
    config = load_config(plain_flight.config)
    twice = config.model_copy(update={"panel": (*config.panel, config.panel[0])})
    made = references(twice, take_inventory(config).cubes[0])
    assert [r.name for r in made] == [p.name for p in config.panel]
    for one, truth in zip(made, plain_flight.truth.panels, strict=True):
        np.testing.assert_allclose(one.reflectance, truth.certificate, rtol=0.01)
        np.testing.assert_allclose(one.uncertainty, truth.uncertainty, rtol=0.01, atol=2e-5)
        assert one.covered.all()


def test_passes_are_brought_to_the_reference_light_and_combined() -> None:
    # 1000 counts in full light and 520 in half: 1000 and 1040 at the reference light.
    readings = [reading("p", 1000.0, 2.0), reading("p", 520.0, 1.0)]
    points = combined([reference("p")], readings, light(1.0, 0.5))
    assert 1000 <= points.signal[0, 0] <= 1040
    alone = combined([reference("p")], readings[1:], light(0.5))
    np.testing.assert_allclose(alone.signal[0], 1040)
    np.testing.assert_allclose(alone.uncertainty[0], 2)


def test_the_lights_uncertainty_goes_into_the_panels() -> None:
    points = combined([reference("p")], [reading("p", 1000.0, 3.0)], light(0.5, u=0.001))
    np.testing.assert_allclose(points.uncertainty[0], 2000 * np.hypot(0.003, 0.002))
    by_band = Illumination(np.array([[0.5], [0.8]]), np.zeros((2, 1)), np.zeros(1, bool))
    points = combined([reference("p")], [reading("p", 1000.0, 2.0)], by_band)
    np.testing.assert_allclose(points.signal[0], [2000, 1250])


def test_a_saturated_pass_leaves_its_band() -> None:
    readings = [reading("p", 1000.0, 2.0, saturated=1.0), reading("p", 900.0, 2.0)]
    points = combined([reference("p")], readings, light(1.0, 1.0))
    assert points.signal[0, 1] == 900
    assert points.usable.all()
    points = combined([reference("p")], readings[:1], light(1.0))
    assert points.usable.tolist() == [[True, False]]


def test_bands_outside_the_certificate_are_not_usable() -> None:
    points = combined([reference("p", covered=False)], [reading("p", 1000.0, 2.0)], light(1.0))
    assert not points.usable.any()


def test_panels_go_by_their_use() -> None:
    named = [reference("a"), reference("b", "check"), reference("c")]
    readings = [reading(r.name, 100.0 * i + 100, 1.0) for i, r in enumerate(named)]
    points = combined(named, readings, light(1.0, 1.0, 1.0))
    assert [r.name for r in points.of("fit").references] == ["a", "c"]
    assert points.of("check").signal[0, 0] == 200
    unseen = combined([*named, replace(named[0], name="d")], readings, light(1.0, 1.0, 1.0))
    assert [r.name for r in unseen.references] == ["a", "b", "c"]


def test_readings_agree_with_the_panels_of_the_simulated_flight(rich_flight: Any) -> None:
    prepared = prepare(load_config(rich_flight.config))
    truth = rich_flight.truth
    by_name = {p.name: p for p in truth.panels}
    for one in prepared.measured.readings:
        wanted = (by_name[one.panel].reflectance - truth.offset) / truth.gain
        z = (one.signal - wanted) / np.hypot(one.uncertainty, 0.003 * wanted)
        assert np.median(np.abs(z)) < 2
        assert (one.saturated_share == 0).all()
        assert one.pixels >= 25


def test_a_window_given_twice_is_one_reading(plain_flight: Any) -> None:
    config = load_config(plain_flight.config)
    first = config.panel[0]
    nine = first.model_copy(update={"where": first.where * 9})
    cubes = {c.name: c for c in take_inventory(config).cubes}
    again = config.model_copy(update={"panel": (nine, *config.panel[1:], first)})
    once, often = windows_in_config(config, cubes), windows_in_config(again, cubes)
    assert [vars(w) for w in often] == [vars(w) for w in once]


def test_a_panels_sample_is_saturated_from_the_count_on() -> None:
    counts = np.full((12, 1, 12), 3999, np.uint16)
    counts[0, 0, :6] = 4000
    window = PanelWindow("p", "strip-00", (0, 12), (0, 12), "window")
    one = read_core(
        PanelLines(window, counts, counts.astype(np.float32), counts.mean(axis=0)),
        LineTimes(np.arange(12.0), np.zeros(12, np.uint8), 0.0045),
        bad=np.zeros((1, 12), bool),
        dark_uncertainty=np.zeros((1, 12), np.float32),
        saturation_counts=4000,
    )
    np.testing.assert_allclose(one.saturated_share, 6 / 144)


def window(cube: str, start: int, stop: int) -> PanelWindow:
    return PanelWindow("grey", cube, (start, stop), (0, 5), "window")


def test_windows_whose_lines_overlap_are_read_together() -> None:
    a, b, inside = window("one", 0, 9), window("one", 8, 12), window("one", 2, 4)
    beside, other = window("one", 12, 15), window("two", 0, 9)
    assert stretches([other, b, inside, beside, a]) == [[a, inside, b], [beside], [other]]
    assert stretches([]) == []


def test_each_window_of_a_stretch_gets_its_own_lines_and_their_signal(plain_flight: Any) -> None:
    cube = take_inventory(load_config(plain_flight.config)).cubes[0]
    some = [window(cube.name, 3, 9), window(cube.name, 5, 12)]

    def signal_of(_: Any, lines: Any, counts: Any) -> Any:
        return (counts + lines[:, None, None]).astype(np.float32)

    with open_capture(cube) as raw:
        apart = [raw.lines(*one.lines) for one in some]
    for one, part, counts in zip(some, read_lines(some, cube, signal_of), apart, strict=True):
        assert part.window is one
        np.testing.assert_array_equal(part.counts, counts)
        lines = np.arange(*one.lines)[:, None, None]
        np.testing.assert_array_equal(part.signal, (counts + lines).astype(np.float32))
