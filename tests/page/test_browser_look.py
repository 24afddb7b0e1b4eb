"""The page to look at, in a browser: a window is dragged on a flight that the search refuses, its
text is taken, and the flight runs."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.cli.commands import main
from pipeline.config.flight import load_config
from pipeline.draft.glance import Glance
from pipeline.draft.look_page import LookData, PanelChoice, write_look
from pipeline.flight.run import run
from pipeline.read.registry import describe, open_capture
from pipeline.synthetic import FlightPlan, make_flight

PLAN = FlightPlan(cubes=2, lines=300, samples=160, bands=40, dark_frames=40, manifest=False)
WIDTHS = pytest.mark.parametrize("width", [1280, 820])


def by_id(browser: Any, name: str) -> Any:
    return browser.find_element("id", name)


def value(browser: Any, name: str) -> str:
    return str(by_id(browser, name).get_property("value"))


@dataclass(frozen=True)
class Refused:
    """A flight with one panel to search for among four alike: nobody can say which it is."""

    config: Path
    page: Path
    lines: tuple[int, int]  # of the panel, well inside its edges
    samples: tuple[int, int]


@pytest.fixture(scope="module")
def refused(tmp_path_factory: pytest.TempPathFactory) -> Refused:
    folder = tmp_path_factory.mktemp("refused")
    make_flight(folder, PLAN)
    config = folder / "flight.toml"
    text = config.read_text()
    known = next(p for p in tomllib.loads(text)["panel"] if p["name"] == "grey-24")["where"]
    head, rest = text.split("[[panel]]", 1)
    panel = (
        '[[panel]]\nname = "grey-24"  # the middle one\n'
        'certificate = "certificates/grey-24.csv"\nwhere = "search"\n\n'
    )
    config.write_text(head + panel + rest[rest.index("[calibration]") :])
    assert main(["check", str(config)]) == 2
    (a, b), (c, d) = known["lines"], known["samples"]
    page = folder / "results" / "saltmarsh-june" / "check.html"
    return Refused(config, page, (a + 3, b - 3), (c + 3, d - 3))


def opened(browser: Any, page: Path, width: int = 1280) -> Any:
    metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    browser.get(page.as_uri())
    assert by_id(browser, "tool").is_displayed()
    return browser


def dragged(browser: Any, lines: tuple[int, int], samples: tuple[int, int]) -> None:
    """Drag a rectangle over the first strip, from its first corner to beyond its last."""
    from selenium.webdriver import ActionChains

    svg = browser.find_element("css selector", "svg.over")
    box = browser.execute_script(
        "arguments[0].scrollIntoView({block: 'center'});"
        "const b = arguments[0].getBoundingClientRect(); return [b.width, b.height]",
        svg,
    )
    scale = box[0] / PLAN.lines, box[1] / PLAN.samples
    # Offsets are counted from the element's middle.
    at = [
        (round((line - PLAN.lines / 2) * scale[0]), round((sample - PLAN.samples / 2) * scale[1]))
        for line, sample in zip(lines, samples, strict=True)
    ]
    chain = ActionChains(browser).move_to_element_with_offset(svg, *at[0]).click_and_hold()
    chain.move_by_offset(at[1][0] - at[0][0], at[1][1] - at[0][1]).release().perform()


def test_a_refused_flight_runs_with_a_dragged_window(browser: Any, refused: Refused) -> None:
    opened(browser, refused.page)
    assert "search for grey-24" in browser.find_element("css selector", ".says").text
    assert len(browser.find_elements("css selector", "g.candidate")) >= 4
    dragged(browser, refused.lines, refused.samples)
    by_id(browser, "take").click()
    text = value(browser, "config")
    before = refused.config.read_text()
    kept = [line for line in before.splitlines() if "search" not in line]
    assert [line for line in text.splitlines() if "from the page" not in line] == kept
    mine = refused.config.with_name("mine.toml")
    mine.write_text(text)
    (place,) = load_config(mine).panel[0].where
    expected = (*refused.lines, *refused.samples)
    assert place.cube == "strip-00"
    assert np.abs(np.subtract((*place.lines, *place.samples), expected)).max() <= 1
    assert run(mine, workers=2).record.outcome == "whole"
    assert browser.get_log("browser") == []


def test_numbers_of_a_window_are_those_of_the_file(browser: Any, refused: Refused) -> None:
    opened(browser, refused.page)
    lines, samples = refused.lines, refused.samples
    dragged(browser, lines, samples)
    config = load_config(refused.config)
    capture = describe(refused.config.parent / "raw" / "strip-00.hdr", config.sensor)
    with open_capture(capture) as raw:
        counts = raw.lines(*lines)[:, :, samples[0] : samples[1]].mean(axis=(0, 2))
    shown = int(by_id(browser, "brightest").text.split()[0])
    # A group of bands is dimmer than the brightest of them.
    assert 0.9 * counts.max() < shown <= 1.01 * counts.max()
    assert by_id(browser, "saturated").text.startswith("0 %")
    text = tomllib.loads(value(browser, "text"))["panel"][0]
    assert text["certificate"] == "certificates/grey-24.csv"
    typed = [int(value(browser, n)) for n in ("line-from", "line-to", "sample-from", "sample-to")]
    assert typed == [*text["where"]["lines"], *text["where"]["samples"]]


def test_keys_alone_make_a_window(browser: Any, refused: Refused) -> None:
    from selenium.webdriver import ActionChains, Keys

    opened(browser, refused.page)
    browser.execute_script("document.querySelector('svg.over').focus()")
    ActionChains(browser).send_keys(Keys.ARROW_RIGHT).perform()
    first = tomllib.loads(value(browser, "text"))["panel"][0]["where"]
    keys = ActionChains(browser).send_keys(Keys.ARROW_DOWN, Keys.ARROW_DOWN)
    keys.key_down(Keys.SHIFT).send_keys(Keys.ARROW_LEFT).key_up(Keys.SHIFT).perform()
    second = tomllib.loads(value(browser, "text"))["panel"][0]["where"]
    assert second["samples"] == [n + 2 for n in first["samples"]]
    assert second["lines"] == [first["lines"][0], first["lines"][1] - 1]
    assert browser.get_log("browser") == []


@WIDTHS
def test_no_serious_barrier(browser: Any, refused: Refused, axe: str, width: int) -> None:
    opened(browser, refused.page, width)
    dragged(browser, refused.lines, refused.samples)
    browser.execute_script(axe)
    passes, violations = json.loads(
        browser.execute_async_script(
            "const done = arguments[0];"
            "axe.run().then((r) => done(JSON.stringify([r.passes.length, r.violations])))"
        )
    )
    assert passes > 15
    assert [v["id"] for v in violations if v["impact"] in ("serious", "critical")] == []
    wide = browser.execute_script("return document.documentElement.scrollWidth")
    assert wide <= width


def test_only_that_panels_place_is_replaced(browser: Any, tmp_path: Path) -> None:
    """Comments, other panels, and values over several lines stay as they were."""
    from selenium.webdriver import ActionChains, Keys
    from selenium.webdriver.support.ui import Select

    first = '[[panel]]\nname = "a"\ncertificate = "a.csv"\nwhere = "search"  # [not a table\n\n'
    second = "[[ panel ]] # two passes\nname = 'b'\ncertificate = 'b.csv'\n"
    where = (
        'where = [\n  { cube = "s", lines = [1, 2], samples = [3, 4] }, # ]\n'
        '  { cube = "s", lines = [5, 6], samples = [3, 4] },\n]\n'
    )
    after = 'use = "check"\n\n[output]\nfolder = "results"\n'
    glance = Glance(
        "s", 90, 40, 1, 1, np.array([400.0, 500.0]), np.full((2, 90, 40), 7, np.uint16),
        np.zeros((90, 40), np.uint8), np.full((3, 90, 40), 7, np.float32),
    )  # fmt: skip
    choices = [PanelChoice("a", "a.csv"), PanelChoice("b", "b.csv"), PanelChoice("c", "c.csv")]
    config = first + second + where + after
    data = LookData("f", "says", False, [glance], (), choices, "flight.toml", config)
    write_look(tmp_path / "look.html", data)
    opened(browser, tmp_path / "look.html")
    browser.execute_script("document.querySelector('svg.over').focus()")
    ActionChains(browser).send_keys(Keys.ARROW_RIGHT).perform()
    place = '{ cube = "s", lines = [26, 66], samples = [0, 40] }'
    written = f"where = {place}  # from the page\n"
    Select(by_id(browser, "panel")).select_by_index(1)
    by_id(browser, "take").click()
    assert value(browser, "config") == first + second + written + after
    Select(by_id(browser, "panel")).select_by_index(2)
    by_id(browser, "take").click()
    made = tomllib.loads(value(browser, "config"))
    assert [p["name"] for p in made["panel"]] == ["a", "b", "c"]
    assert made["panel"][2]["where"] == tomllib.loads(f"where = {place}")["where"]
    assert made["panel"][0]["where"] == "search"
