"""The record's page in a browser: readable at both widths, by keyboard, and loading nothing."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "campaign"))

from past_flights import Change, Season, season

from pipeline.campaign.record import record


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    given = {"grey-12": [(0, "a.csv", "2026-03-02"), (20, "b.csv", "2026-05-01")]}
    made = Season(seed=3, change=Change("dark_level", add=5.0), certificates=given)
    return record(season(tmp_path_factory.mktemp("record"), made)).files[1]


@pytest.fixture(autouse=True)
def as_before(browser: Any) -> Iterator[None]:
    """Other tests find the browser as it was."""
    yield
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def opened(browser: Any, page: Path, width: int) -> None:
    browser.set_window_size(width, 900)
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False},
    )
    browser.get(page.as_uri())


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [1280, 390])
def test_no_serious_barrier(browser: Any, page: Path, axe: str, width: int, dark: bool) -> None:
    wanted = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": wanted})
    opened(browser, page, width)
    ground = browser.execute_script("return getComputedStyle(document.body).backgroundColor")
    assert ground == ("rgb(21, 24, 28)" if dark else "rgb(255, 255, 255)")
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    browser.execute_script(axe)
    found = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run().then((r) => done(JSON.stringify([r.passes.length, r.violations])))"
    )
    passes, violations = json.loads(found)
    assert passes > 10
    bad = [(v["id"], v["nodes"][0]["html"][:200]) for v in violations
           if v["impact"] in ("serious", "critical")]  # fmt: skip
    assert bad == []


def test_the_keyboard_reaches_a_point_and_its_name_tells_the_flight(
    browser: Any, page: Path
) -> None:
    from selenium.webdriver import ActionChains, Keys

    opened(browser, page, 1280)
    ActionChains(browser).send_keys(Keys.TAB).perform()
    name, link, drawn = browser.execute_script(
        "const a = document.activeElement;"
        "return [a.getAttribute('aria-label'), a.getAttribute('href'),"
        " getComputedStyle(a.querySelector('.hit')).strokeWidth]"
    )
    assert name.startswith("flight-01, 2026-03-03: 100")
    assert link.endswith("/report.html")
    assert drawn == "2.5px"


def test_nothing_is_loaded_and_each_text_of_a_chart_is_inside_it(browser: Any, page: Path) -> None:
    opened(browser, page, 390)
    loaded = browser.execute_script(
        "return performance.getEntriesByType('resource').map((one) => one.name)"
    )
    assert loaded == []
    outside = browser.execute_script(
        "return [...document.querySelectorAll('svg text')].filter((t) => {"
        " const a = t.getBoundingClientRect(), b = t.ownerSVGElement.getBoundingClientRect();"
        " return a.left < b.left - 1 || a.right > b.right + 1 || a.bottom > b.bottom + 1"
        "}).map((t) => t.textContent)"
    )
    assert outside == []
