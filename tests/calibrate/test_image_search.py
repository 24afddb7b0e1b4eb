"""Panels found by region and by search, on simulated flights."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import shapely

from pipeline.calibrate.cube_tracks import cube_track, sample_places
from pipeline.calibrate.panels.image_search import UnclearPanelsError
from pipeline.calibrate.panels.readings import PanelWindow
from pipeline.config.panel import Window
from pipeline.errors import CalibrationError, ConfigError
from pipeline.radiometry.geometry import metres_per_degree
from pipeline.synthetic import FlightPlan, PanelPlan, make_flight


def _study() -> ModuleType:
    """The benchmark, a script outside any package."""
    path = Path(__file__).parents[1] / "benchmarks" / "bench_panel_search.py"
    spec = importlib.util.spec_from_file_location("bench_panel_search", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


bench = _study()
THREE = (PanelPlan("dark", 0.04), PanelPlan("grey", 0.2), PanelPlan("bright", 0.5))

Fly = Callable[..., Any]


@pytest.fixture
def fly(tmp_path: Path) -> Fly:
    """Make a small flight; knobs as FlightPlan's, `edit` changes the config's text."""

    def make(edit: Callable[[str], str] = str, **knobs: Any) -> Any:
        small: dict[str, Any] = {
            "cubes": 2,
            "lines": 260,
            "samples": 200,
            "bands": 30,
            "dark_frames": 4,
            "panels": THREE,
            "panel_samples": 28,
            "where": "search",
        }
        truth = make_flight(tmp_path, FlightPlan(**(small | knobs)))
        config = tmp_path / "flight.toml"
        config.write_text(edit(config.read_text()))
        return bench.opened(tmp_path, truth)

    return make


def assert_in_cores(flight: Any, windows: list[PanelWindow]) -> None:
    cores = {panel.name: panel.windows for panel in flight.truth.panels}
    for window in windows:
        lines, samples = cores[window.panel][window.cube]
        assert lines[0] <= window.lines[0] < window.lines[1] <= lines[1]
        assert samples[0] <= window.samples[0] < window.samples[1] <= samples[1]


def moved(flight: Any, metres: float) -> Any:
    """The flight's track, north and east by so many metres."""
    north_m, east_m = metres_per_degree(55.0)
    return replace(
        flight.recording.track,
        latitude=flight.recording.track.latitude + metres / float(north_m) / 2**0.5,
        longitude=flight.recording.track.longitude - metres / float(east_m) / 2**0.5,
    )


@pytest.mark.parametrize("seed", [1, 2, 4, 13])
def test_search_finds_every_panel_among_sand_pond_grass_and_concrete(seed: int) -> None:
    assert bench.study(seed, lines=300, bands=32) == ("right", "")


def test_a_flight_without_search_or_region_gives_no_windows(fly: Fly) -> None:
    assert fly(where="window").find() == []


@pytest.mark.parametrize("interleave", ["bil", "bip", "bsq"])
def test_search_does_not_depend_on_how_the_file_lies(fly: Fly, interleave: str) -> None:
    flight = fly(interleave=interleave)
    windows = flight.find()
    assert [w.panel for w in windows] == ["dark", "grey", "bright"]
    assert {w.how for w in windows} == {"search"}
    assert_in_cores(flight, windows)


def test_search_of_every_second_line_sees_the_edges_on_all_lines(fly: Fly) -> None:
    flight = fly(cubes=1, lines=1100)
    windows = flight.find()
    assert len(windows) == 3
    assert_in_cores(flight, windows)
    cores = [p.windows["strip-00"] for p in flight.truth.panels]
    for window, (lines, _) in zip(windows, cores, strict=True):
        assert window.lines[1] - window.lines[0] >= lines[1] - lines[0] - 6


@pytest.mark.parametrize("where", ["search", "region"])
def test_each_pass_gives_a_window(fly: Fly, where: str) -> None:
    flight = fly(where=where, panel_passes=2, irradiance_fall=0.1)
    windows = flight.find()
    assert [(w.panel, w.cube) for w in windows] == [
        (panel.name, cube) for panel in THREE for cube in ("strip-00", "strip-01")
    ]
    assert_in_cores(flight, windows)


def test_search_refuses_two_equal_panels(fly: Fly) -> None:
    flight = fly(panels=(*THREE, PanelPlan("spare", 0.5)))
    flight = replace(
        flight,
        config=flight.config.model_copy(update={"panel": flight.config.panel[:3]}),
    )
    with pytest.raises(CalibrationError, match="choices fit nearly equally") as caught:
        flight.find()
    assert "\n" not in str(caught.value)
    assert "Give their windows" in str(caught.value)


#: Dark, grey and bright in a row, and in a corner; (line, sample) of their middles.
ROW, CORNER = ((60, 40), (60, 84), (60, 128)), ((60, 40), (104, 40), (60, 84))
SPARE, NEXT_IN_ROW = (180, 60), (60, 172)


def planted(fly: Fly, tmp_path: Path, *middles: tuple[int, int]) -> Any:
    """Panels of 26 x 26 laid in the second strip, a twin of the bright one last; no others seen."""
    # From 120 m a track's error is less than from a panel to its twin.
    flight = fly(where="region", height_m=120.0, speed_m_s=16.4)
    line, sample = np.indices((flight.truth.plan.lines, flight.truth.plan.samples))
    bands = flight.truth.plan.bands
    for (at_line, at_sample), level in zip(middles, (0.04, 0.2, 0.5, 0.5), strict=True):
        mask = (np.abs(line - at_line) <= 13) & (np.abs(sample - at_sample) <= 13)
        bench.plant(tmp_path, flight.truth, 1, mask, np.full(bands, level), seed=at_line)
    panels = [p.model_copy(update={"where": ("search",)}) for p in flight.config.panel]
    config = flight.config.model_copy(update={"panel": tuple(panels)})
    return replace(flight, config=config).only(slice(1, None))


def middles(windows: list[PanelWindow]) -> list[tuple[float, float]]:
    return [(sum(w.lines) / 2, sum(w.samples) / 2) for w in windows]


def with_polygon(flight: Any, lines: tuple[int, int], samples: tuple[int, int]) -> Any:
    """The flight with a polygon around a part of the strip, and one around all of it."""
    (capture,) = flight.recording.cubes
    at = cube_track(flight.recording.track, flight.recording.times[capture.name])
    sensor = flight.config.sensor
    places = sample_places(capture, at, sensor, sensor.ifov_mrad)
    corners = [(a, b) for a in lines for b in samples]
    points = [(places.longitude[a, b], places.latitude[a, b]) for a, b in corners]
    regions = {
        "survey": shapely.MultiPoint(points).convex_hull.buffer(0.01),
        "panels": shapely.MultiPoint(points).convex_hull,
    }
    return replace(flight, recording=replace(flight.recording, regions=regions))


def test_of_equal_choices_the_row_by_brightness_is_taken(fly: Fly, tmp_path: Path) -> None:
    windows = planted(fly, tmp_path, *ROW, SPARE).find()
    assert [w.panel for w in windows] == ["dark", "grey", "bright"]
    assert np.abs(np.array(middles(windows)) - ROW).max() <= 2


@pytest.mark.parametrize("places", [(*CORNER, SPARE), (*ROW, NEXT_IN_ROW)])
def test_equal_choices_of_which_none_is_the_only_row_are_refused(
    fly: Fly, tmp_path: Path, places: tuple[tuple[int, int], ...]
) -> None:
    with pytest.raises(UnclearPanelsError, match="choices fit nearly equally") as caught:
        planted(fly, tmp_path, *places).find()
    assert len(caught.value.candidates) >= 4


def test_of_equal_choices_the_one_in_a_small_polygon_is_taken(fly: Fly, tmp_path: Path) -> None:
    flight = planted(fly, tmp_path, *CORNER, SPARE)
    windows = with_polygon(flight, (30, 130), (20, 110)).find()
    assert np.abs(np.array(middles(windows)) - CORNER).max() <= 2
    with pytest.raises(UnclearPanelsError, match="choices fit nearly equally"):
        with_polygon(flight, (30, 220), (20, 110)).find()


def test_search_refuses_when_a_panel_is_not_there(fly: Fly, tmp_path: Path) -> None:
    """The ground has 0.04, 0.2 and 0.5; the config asks for 0.04, 0.35 and 0.5."""
    flight = fly(panels=(THREE[0], replace(THREE[1], certificate_factor=1.75), THREE[2]))
    with pytest.raises(CalibrationError, match=r"patches found .*no choice of them"):
        flight.find()


def test_search_refuses_when_there_are_fewer_patches_than_panels(fly: Fly) -> None:
    flight = fly(cubes=3)
    late = flight.only(slice(2, None))
    with pytest.raises(CalibrationError, match=r"fewer than the panels|no choice of them"):
        late.find()


def test_search_reads_the_lit_half_of_a_panel_in_half_shadow(fly: Fly) -> None:
    flight = fly(panels=(*THREE[:2], PanelPlan("bright", 0.5, shadow=0.35)))
    windows = flight.find()
    assert_in_cores(flight, windows)
    lines = flight.truth.panels[2].windows["strip-00"][0]
    assert windows[2].lines[0] >= sum(lines) / 2 - 1


def test_search_refuses_a_panel_wholly_in_shadow(fly: Fly) -> None:
    flight = fly(panels=(*THREE[:2], PanelPlan("bright", 0.5, light=0.35)))
    with pytest.raises(CalibrationError, match="search for"):
        flight.find()


def test_a_lone_panel_is_refused_among_other_patches_and_found_beside_a_known_window(
    fly: Fly,
) -> None:
    flight = fly()
    panels = flight.config.panel
    alone = flight.config.model_copy(update={"panel": panels[2:]})
    with pytest.raises(CalibrationError, match="choices fit nearly equally"):
        replace(flight, config=alone).find()

    lines, samples = flight.truth.panels[0].windows["strip-00"]
    window = Window(cube="strip-00", lines=list(lines), samples=list(samples))
    known = panels[0].model_copy(update={"where": (window,)})
    beside = flight.config.model_copy(update={"panel": (known, panels[2])})
    (found,) = replace(flight, config=beside).find()
    assert found.panel == "bright"
    assert_in_cores(flight, [found])


@pytest.mark.parametrize("metres", [0.0, 0.7, 1.5, -1.5])
def test_region_bears_a_track_that_is_off(fly: Fly, metres: float) -> None:
    flight = fly(where="region", height_m=60.0, speed_m_s=8.2)
    windows = flight.find(moved(flight, metres))
    assert [w.panel for w in windows] == ["dark", "grey", "bright"]
    assert {w.how for w in windows} == {"region"}
    assert_in_cores(flight, windows)


def test_region_refuses_when_no_patch_of_the_size_is_there(fly: Fly) -> None:
    flight = fly(where="region", panels=(*THREE[:2], PanelPlan("bright", 0.5, shadow=0.35)))
    with pytest.raises(CalibrationError, match=r"panel bright: nothing .* near region") as caught:
        flight.find()
    assert "expected at lines" in str(caught.value)
    assert "Give its window" in str(caught.value)


def test_region_of_one_panel_refuses_two_patches_that_may_be_it(fly: Fly) -> None:
    flight = fly(where="region")
    one = flight.config.model_copy(update={"panel": flight.config.panel[:1]})
    with pytest.raises(CalibrationError, match="equally plausible"):
        replace(flight, config=one).find(moved(flight, 0.3))


def test_region_far_from_every_strip_is_refused(fly: Fly) -> None:
    flight = fly(where="region")
    with pytest.raises(CalibrationError, match="no strip of the track sees it"):
        flight.find(moved(flight, 500.0))


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ("ifov_mrad = 0.617", "sensor.ifov_mrad"),
        ('track = "track.csv"', "flight.track"),
        ('regions = "areas.kml"', "flight.regions"),
    ],
)
def test_region_without_what_it_needs_names_the_key(fly: Fly, line: str, key: str) -> None:
    flight = fly(lambda text: text.replace(line, ""), where="region")
    with pytest.raises(ConfigError, match=key):
        flight.find()


def test_an_unknown_region_names_the_key_and_the_known_ones(fly: Fly) -> None:
    flight = fly(lambda text: text.replace('"panel-grey"', '"panel-gray"'), where="region")
    with pytest.raises(ConfigError, match=r"panel\[1\]\.where\.region.*panel-gray.*panel-grey"):
        flight.find()
