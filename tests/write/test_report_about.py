"""What the page says of the flight itself, against the record and the files."""

from __future__ import annotations

import hashlib
import re
from typing import Any

from pipeline.write.page.about import flown, outlines, panel_facts


def test_windows_are_outlined_on_their_strips(rich_run: Any) -> None:
    page = (rich_run.folder / "report.html").read_text()
    drawn = re.findall(
        r'<rect class="window" x="(\d+)" y="(\d+)" width="(\d+)" height="(\d+)"><title>([^:]+):',
        page,
    )
    expected = {(p.panel, o.lines, o.samples) for p in rich_run.record.panels for o in p.passes}
    assert {
        (name, (int(x), int(x) + int(w)), (int(y), int(y) + int(h))) for x, y, w, h, name in drawn
    } == expected
    assert len(drawn) == len(expected) == sum(map(len, outlines(rich_run.record).values()))


def test_date_certificates_and_config_are_shown(rich_run: Any) -> None:
    page = (rich_run.folder / "report.html").read_text()
    assert f'Flown <span class="number">{flown(rich_run.record)}</span>' in page
    assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC", flown(rich_run.record))
    digests = {i.sha256[:12] for i in rich_run.record.inputs if i.role == "certificate"}
    rows = panel_facts(rich_run.record)
    assert {row.digest for row in rows} == digests
    assert all(row.digest in page and row.certificate in page for row in rows)
    text = (rich_run.folder / "config.toml").read_text()
    (shown,) = re.findall(r"<pre[^>]*>(.*?)</pre>", page, re.S)
    plain = shown.replace("&#34;", '"').replace("&#39;", "'").replace("&gt;", ">")
    plain = plain.replace("&lt;", "<").replace("&amp;", "&")
    assert plain.split() == text.split()
    assert hashlib.sha256(text.encode()).hexdigest() == rich_run.record.config_sha256
