"""The index of a campaign in a browser: rows are chosen by verdict, and it reads on a telephone."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from pipeline.campaign.index_page import write_index
from pipeline.campaign.morning import Morning
from pipeline.write.page.small_picture import PICTURE


def flight(name: str, state: str, verdict: str, flown: str, **more: Any) -> Morning:
    facts = {
        "says": "Not usable: the irradiance log misses every line.", "cubes": 12, "run": None,
        "run_id": "", "changed_s": 1.78e9, "present": True, "acknowledged": False,
        "overdue": False, **more,
    }  # fmt: skip
    return Morning(flight=name, state=state, verdict=verdict, flown=flown, **facts)


@pytest.fixture
def page(tmp_path: Path) -> Path:
    run = tmp_path / "june-02" / "saltmarsh" / "0123456789ab"
    flights = [
        flight("june-01", "done", "good", "2026-06-01"),
        flight("june-02", "done", "caution", "2026-06-02", run=run, run_id=run.name),
        flight("june-03", "set aside", "", ""),
        flight("may-30", "set aside", "", "", acknowledged=True),
    ]
    run.mkdir(parents=True)
    Image.new("RGB", (192, 60), "green").save(run / PICTURE)
    (tmp_path / "record.html").write_text("")
    write_index(tmp_path / "index.html", "saltmarsh", flights)
    return tmp_path / "index.html"


def test_a_flight_shows_its_small_picture(browser: Any, page: Path) -> None:
    browser.get(page.as_uri())
    (picture,) = browser.find_elements("css selector", "tbody img")
    assert picture.get_attribute("naturalWidth") == "192"
    assert picture.get_attribute("alt") == "Strips of june-02"
    assert browser.get_log("browser") == []


def names(browser: Any) -> list[str]:
    rows = browser.find_elements("css selector", "tbody tr")
    return [r.find_element("css selector", "th").text for r in rows if r.is_displayed()]


def test_rows_are_chosen_by_verdict_what_needs_somebody_first(browser: Any, page: Path) -> None:
    from selenium.webdriver.support.ui import Select

    browser.get(page.as_uri())
    assert names(browser) == ["june-03", "june-02", "june-01", "may-30"]
    choose = Select(browser.find_element("id", "choose"))
    assert [o.text for o in choose.options] == ["all", "caution", "good", "set aside"]
    choose.select_by_visible_text("set aside")
    assert names(browser) == ["june-03", "may-30"]
    assert browser.find_element("id", "shown").text == "2 of 4 shown"
    choose.select_by_visible_text("all")
    assert len(names(browser)) == 4
    links = [a.get_attribute("href") for a in browser.find_elements("css selector", "a")]
    assert links[0] == (page.parent / "record.html").as_uri()
    assert links[1] == links[2]
    assert links[1].endswith("june-02/saltmarsh/0123456789ab/report.html")
    assert browser.get_log("browser") == []


@pytest.mark.parametrize("width", [1280, 390])
def test_no_serious_barrier(browser: Any, page: Path, axe: str, width: int) -> None:
    metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    browser.get(page.as_uri())
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    browser.execute_script(axe)
    passes, violations = json.loads(
        browser.execute_async_script(
            "const done = arguments[0];"
            "axe.run().then((r) => done(JSON.stringify([r.passes.length, r.violations])))"
        )
    )
    assert passes > 10
    assert [v["id"] for v in violations if v["impact"] in ("serious", "critical")] == []
