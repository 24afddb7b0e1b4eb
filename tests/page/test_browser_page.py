"""The page in a browser: it opens offline, answers mouse and keys with the cube's own numbers, fits
a phone, and shuts nobody out."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import netCDF4
import numpy as np
import pytest

from pipeline.flags import QualityFlag
from pipeline.radiometry.packing import REFLECTANCE, UNCERTAINTY
from pipeline.write.page.page import write_report

WIDTHS = pytest.mark.parametrize("width", [1280, 390])

#: Pairs of texts that lie upon each other: every line of every text node against all others.
OVERLAPS = """
const found = [], boxes = [];
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
for (let node; (node = walk.nextNode());) {
  const parent = node.parentElement;
  if (!node.data.trim() || parent.closest("script,style,noscript,option,.unseen")) continue;
  const head = parent.closest("thead");
  if (!parent.checkVisibility()) continue;
  if (head && getComputedStyle(head).position === "absolute") continue;
  const range = document.createRange();
  range.selectNodeContents(node);
  const window_ = parent.closest(".scroll")?.getBoundingClientRect();
  for (const r of range.getClientRects()) {
    if (window_ && (r.bottom > window_.bottom || r.right > window_.right)) continue;
    if (r.width > 1 && r.height > 1) boxes.push([r, node.data.trim(), node]);
  }
}
for (let i = 0; i < boxes.length; i++) for (let j = i + 1; j < boxes.length; j++) {
  const [a, s, n] = boxes[i], [b, t, m] = boxes[j];
  const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
  const tall = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
  if (n !== m && wide > 1.5 && tall > 4) found.push(`${s} / ${t}`);
}
return [boxes.length, found];
"""


def by_id(browser, name):
    return browser.find_element("id", name)


def set_width(browser, width):
    metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def opened(browser, page, width=1280):
    from selenium.webdriver.support.ui import WebDriverWait

    set_width(browser, width)
    browser.get(page.as_uri())
    WebDriverWait(browser, 20).until(lambda b: by_id(b, "fact-place").text)
    return browser


def shown_spectrum(browser):
    """What the page says of the marked place: line, sample and rows of the table of values."""
    browser.execute_script("document.getElementById('table-of-values').open = true")
    place = by_id(browser, "fact-place").text
    found = re.search(r"line (\d+), sample (\d+)", place)
    assert found, place
    rows = browser.execute_async_script(
        "const done = arguments[0];"
        "setTimeout(() => done(Array.from(document.querySelectorAll('#values tr'),"
        " (r) => Array.from(r.cells, (c) => c.textContent))), 50)"
    )
    return int(found[1]), int(found[2]), rows


def assert_is_the_cubes(run, stem, spectrum):
    line, sample, rows = spectrum
    with netCDF4.Dataset(run.folder / f"{stem}.nc") as nc:
        nc.set_auto_maskandscale(False)
        names = ("reflectance", "reflectance_uncertainty", "quality_flag")
        r, u, flags = (nc[name][:, line, sample] for name in names)
        nm = nc["wavelength"][:]
        where = [float(nc[name][line, sample]) for name in ("latitude", "longitude")]
    assert len(rows) == nm.size
    for i, (shown_nm, shown_r, shown_u, shown_flags) in enumerate(rows):
        assert float(shown_nm) == pytest.approx(nm[i], abs=0.051)
        if r[i] == REFLECTANCE.fill:
            assert shown_r == "blank"
        else:
            assert float(shown_r) == pytest.approx(
                r[i] * REFLECTANCE.step, abs=REFLECTANCE.step / 2
            )
        if u[i] == UNCERTAINTY.fill:
            assert shown_u == "none"
        else:
            assert float(shown_u) == pytest.approx(2 * u[i] * UNCERTAINTY.step, rel=5.1e-3)
        words = [f.name.lower().replace("_", " ") for f in QualityFlag if flags[i] & f]
        assert shown_flags == (", ".join(words) or "none")
    return where


@pytest.fixture(scope="module")
def page(rich_run):
    return rich_run.folder / "report.html"


@WIDTHS
def test_opens_without_a_word_of_complaint(browser, page, width):
    opened(browser, page, width)
    assert browser.get_log("browser") == []
    loaded = browser.execute_script(
        "return Array.from(document.images).filter((i) => i.src)"
        ".every((i) => i.complete && i.naturalWidth > 0)"
    )
    assert loaded
    fetched = browser.execute_script(
        "return performance.getEntriesByType('resource').map((e) => e.name)"
        ".filter((n) => !n.startsWith('data:'))"
    )
    assert fetched == []


def test_a_click_shows_the_cubes_spectrum_and_place(browser, page, rich_run):
    from selenium.webdriver import ActionChains

    opened(browser, page)
    stage = by_id(browser, "stage")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", stage)
    size = stage.size
    for x, y in ((0.1, 0.2), (0.77, 0.6)):
        ActionChains(browser).move_to_element_with_offset(
            stage, int((x - 0.5) * size["width"]), int((y - 0.5) * size["height"])
        ).click().perform()
        spectrum = shown_spectrum(browser)
        latitude, longitude = assert_is_the_cubes(rich_run, "strip-00", spectrum)
        lines, samples = 100, 64
        assert spectrum[0] == pytest.approx(x * lines, abs=8)
        assert spectrum[1] == pytest.approx(y * samples, abs=8)
        text = by_id(browser, "fact-position").text
        told = [float(v) for v in re.findall(r"(\d+\.\d+)", text)]
        assert told == pytest.approx([abs(latitude), abs(longitude)], abs=1.1e-6)


def test_arrow_keys_move_the_mark_and_are_said_aloud(browser, page, rich_run):
    from selenium.webdriver.common.keys import Keys

    opened(browser, page)
    stage = by_id(browser, "stage")
    before = shown_spectrum(browser)
    stage.send_keys(Keys.ARROW_RIGHT)
    stage.send_keys(Keys.ARROW_DOWN)
    after = shown_spectrum(browser)
    assert after[0] > before[0]
    assert after[1] > before[1]
    assert_is_the_cubes(rich_run, "strip-00", after)
    spoken = by_id(browser, "spoken")
    assert spoken.get_attribute("aria-live") == "polite"
    assert f"line {after[0]}, sample {after[1]}" in spoken.get_attribute("textContent")
    for _ in range(60):
        stage.send_keys(Keys.PAGE_UP)
        stage.send_keys(Keys.ARROW_UP)
    corner = shown_spectrum(browser)
    assert (corner[0], corner[1]) <= (before[0], before[1])
    assert_is_the_cubes(rich_run, "strip-00", corner)


def test_another_strip_and_another_picture_can_be_chosen(browser, page, rich_run):
    from selenium.webdriver.support.ui import Select, WebDriverWait

    opened(browser, page)
    first = by_id(browser, "shown").get_attribute("src")
    Select(by_id(browser, "choose-layer")).select_by_visible_text("Uncertainty")
    assert by_id(browser, "shown").get_attribute("src") != first
    Select(by_id(browser, "choose-strip")).select_by_visible_text("strip-01")
    WebDriverWait(browser, 20).until(lambda b: "strip-01" in by_id(b, "fact-place").text)
    assert_is_the_cubes(rich_run, "strip-01", shown_spectrum(browser))


@WIDTHS
def test_nothing_sticks_out_and_no_texts_overlap(browser, page, width):
    opened(browser, page, width)
    for folded in (True, False):
        if not folded:
            browser.execute_script(
                "for (const d of document.querySelectorAll('details')) d.open = true"
            )
        wide = browser.execute_script("return document.documentElement.scrollWidth")
        assert wide <= browser.execute_script("return window.innerWidth")
        texts, overlaps = browser.execute_script(OVERLAPS)
        assert texts > 100
        assert overlaps == []


@WIDTHS
def test_no_serious_barrier(browser, page, axe, width):
    opened(browser, page, width)
    browser.execute_script("for (const d of document.querySelectorAll('details')) d.open = true")
    browser.execute_script(axe)
    found = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run().then((r) => done(JSON.stringify([r.passes.length, r.violations])))"
    )
    passes, violations = json.loads(found)
    assert passes > 10
    bad = [
        (v["id"], v["impact"], [n["html"][:120] for n in v["nodes"][:3]])
        for v in violations
        if v["impact"] in ("serious", "critical")
    ]
    assert bad == []


def test_names_with_markup_do_nothing(browser, rich_run, tmp_path):
    name = "<script>document.title='taken'</script><img src=x onerror=\"document.title='taken'\">"
    record = rich_run.record
    checks = tuple(replace(row, subject=name, says=name, do=name) for row in record.checks)
    record = replace(record, flight=name, says=name, checks=checks)
    write_report(tmp_path / "page.html", record)
    browser.get((tmp_path / "page.html").as_uri())
    assert browser.title.startswith("<script>")
    assert browser.find_elements("css selector", "img") == []
    assert browser.get_log("browser") == []


def test_folded_parts_are_printed(browser, page):
    opened(browser, page)
    closed = "return document.querySelectorAll('details:not([open])').length"
    assert browser.execute_script(closed) > 0
    browser.execute_cdp_cmd("Page.printToPDF", {"printBackground": True})
    assert browser.execute_script(closed) == 0
    assert np.isfinite(browser.execute_script("return document.body.scrollHeight"))
