"""The page: verdict first, everything escaped, nothing fetched, small enough."""

from __future__ import annotations

import json
import re
from dataclasses import fields, is_dataclass, replace
from html.parser import HTMLParser

import netCDF4
import numpy as np
import pytest

from pipeline.radiometry.kernel import CalibratedBlock
from pipeline.radiometry.preview import join, preview_block, preview_plan
from pipeline.write.page import page
from pipeline.write.page.data import report_data
from pipeline.write.run_record import RefusedCube

HOSTILE = "<script>alert(1)</script><!-- \" ' & \u2028"


class Elements(HTMLParser):
    """Every start tag with its attributes, and the text of script elements."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.scripts = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag == "script":
            self.scripts.append("")

    def handle_data(self, data):
        if self.tags and self.tags[-1][0] == "script":
            self.scripts[-1] += data


def preview_of(path, budget_bytes=100_000):
    with netCDF4.Dataset(path) as nc:
        nc.set_auto_maskandscale(False)
        names = ("reflectance", "reflectance_uncertainty", "quality_flag")
        block = CalibratedBlock(*(nc[name][:] for name in names), np.zeros((1, 7), np.int64))
        _, lines, samples = block.flags.shape
        plan = preview_plan(nc["wavelength"][:], lines, samples, budget_bytes=budget_bytes)
        where = [nc[n][:].astype(float) for n in ("latitude", "longitude") if n in nc.variables]
        return join(plan, [preview_block(plan, 0, block)], *where), nc["wavelength"][:]


@pytest.fixture(scope="module")
def record(rich_run):
    return rich_run.record


#: Words of a record that are one of a few.
OF_A_FEW = ("verdict", "outcome", "use")


def hostile(value, text=HOSTILE):
    """A record, or a part of one, with a text before every word in it that may be anything."""
    if is_dataclass(value):
        names = (f.name for f in fields(value) if f.name not in OF_A_FEW)
        return replace(value, **{name: hostile(getattr(value, name), text) for name in names})
    if isinstance(value, tuple):
        return tuple(hostile(v, text) for v in value)
    return text + value if isinstance(value, str) else value


@pytest.fixture(scope="module")
def data(rich_run):
    found = {path.stem: preview_of(path) for path in sorted(rich_run.folder.glob("*.nc"))}
    nm = next(iter(found.values()))[1]
    return report_data(
        wavelength_nm=nm, preview_nm=nm, previews={name: p for name, (p, _) in found.items()}
    )


def test_without_previews_the_page_still_says_everything(record):
    text = page.render(record)
    found = Elements(text)
    rows = [a for tag, a in found.tags if tag == "span" and "verdict" in a.get("class", "")]
    assert len(rows) == len(record.checks)
    assert not any(tag == "img" for tag, _ in found.tags)
    for part in record.says.split(": ", 1):
        assert part.replace("'", "&#39;") in text


def test_the_verdict_comes_before_the_checks_and_the_worst_before_the_folded(record):
    *rest, held, broke = record.checks
    broke = replace(broke, verdict="fail", says="It broke.", do="Mend it.")
    held = replace(held, verdict="pass", says="It held.")
    text = page.render(replace(record, checks=(*rest, held, broke)))
    places = [text.index(s) for s in ('class="says', 'id="checks"', "Mend it.", "<details>")]
    assert places == sorted(places)
    assert text.index("It held.") > text.index("<details>")


def test_pictures_of_every_strip_and_spectra_for_the_script(record, data):
    found = Elements(page.render(record, data))
    pictures = [a for tag, a in found.tags if tag == "img" and a.get("src")]
    assert len(pictures) == 5 * len(data.previews)
    assert all(a["alt"] for a in pictures)
    assert all(a["src"].startswith("data:image/") for a in pictures)
    spectra = [s for (t, a), s in zip(
        [x for x in found.tags if x[0] == "script"], found.scripts, strict=True
    ) if a.get("class") == "spectra"]  # fmt: skip
    assert [json.loads(s)["cube"] for s in spectra] == list(data.previews)


def test_nothing_is_fetched(record, data):
    text = page.render(record, data)
    for _, attributes in Elements(text).tags:
        for name in ("src", "href"):
            value = attributes.get(name) or "#"
            assert value.startswith(("#", "data:")), value
    assert "default-src 'none'" in text


def test_text_from_inputs_is_escaped_everywhere(record, data):
    refused = RefusedCube(cube=HOSTILE, why=HOSTILE)
    changed = hostile(replace(record, cubes=(*record.cubes, refused), config={}))
    changed = replace(changed, config={"limits": {HOSTILE: {}}})
    named = replace(
        data,
        previews={HOSTILE + name: p for name, p in data.previews.items()},
        panels={HOSTILE: (3.2, 54.9)},
    )
    clean, dirty = Elements(page.render(record, data)), Elements(page.render(changed, named))
    assert len(dirty.scripts) == len(clean.scripts)
    assert "alert(1)" not in dirty.scripts[-1]
    assert not any(name.startswith("on") for _, a in dirty.tags for name in a)
    assert "<script>alert" not in page.render(changed, named)


def test_json_in_a_script_cannot_end_it():
    text = page.script_json({"name": HOSTILE})
    assert not set("<>&\u2028\u2029") & set(text)
    assert json.loads(text) == {"name": HOSTILE}


def test_only_our_own_script_may_run(record, data):
    text = page.render(record, data)
    policy = re.search(r"script-src '(sha256-[^']+)'", text)
    assert policy
    script = text[text.rindex("<script>") + 8 : text.rindex("</script>")]
    import base64
    import hashlib

    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert policy[1].replace("&#43;", "+") == f"sha256-{digest}"


def test_spectra_are_thinned_until_the_page_is_small_enough(record, data, monkeypatch):
    whole = page.render(record, data)
    pictures = sum(map(len, re.findall(r'src="(data:[^"]*)"', whole)))
    monkeypatch.setattr(page, "MOST_BYTES", pictures + 20_000)
    text = page.render(record, data)
    assert len(text) < len(whole)
    spectra = re.findall(r'class="spectra">(.*?)</script>', text)
    assert len(spectra) == len(data.previews)
    assert sum(map(len, spectra)) <= 20_000


@pytest.mark.parametrize(
    ("check", "limit", "unit", "says"),
    [
        ("dark-drift", 5.0, "count", "above 5 counts"),
        ("dark-frames", 100.0, "frame", "below 100 frames"),
        ("panel-saturated", 1.0, "band", "from 1 band"),
        ("panel-peak", [0.73, 0.85], "1", "outside 0.73 to 0.85"),
        ("panel-peak", 0.1, "1", "below 0.1"),
        ("files-whole", 0.0, "byte", "if any"),
        ("dark-age", 30.0, "min", "above 30 min"),
        ("unheard-of", 2.0, "K", "above 2 K"),
        ("reread", None, "chunk", ""),
    ],
)
def test_limits_are_said_from_the_side_where_trouble_lies(check, limit, unit, says):
    assert page._limit(page.LIMITS.get(check), limit, unit) == says


def test_a_moved_limit_is_said(record):
    changed = replace(record, config={"limits": {"dark-drift": {"caution": 2, "fail": 8}}})
    assert "moved the limits of: dark-drift" in page.render(changed)
