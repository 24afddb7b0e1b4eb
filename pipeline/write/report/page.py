"""report.html: one page that opens offline, the verdict first."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

_TEMPLATE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{{ flight }}: {{ verdict }}</title>
<style>body{font:16px/1.5 sans-serif;max-width:60rem;margin:2rem auto;padding:0 1rem}
table{border-collapse:collapse}td,th{padding:.3rem .6rem;text-align:left;
border-bottom:1px solid #ccc;vertical-align:top}</style></head><body>
<h1>{{ flight }}: {{ verdict }}</h1><p>{{ says }}</p>
<h2>Checks</h2><table><tr><th>check<th>subject<th>verdict<th>what was seen<th>what to do</tr>
{% for row in checks %}<tr><td>{{ row.check }}<td>{{ row.subject }}<td>{{ row.verdict }}
<td>{{ row.says }}<td>{{ row.do }}</tr>{% endfor %}</table>
<p>{{ software }}, run {{ run_id }}, {{ ended }}</p></body></html>
"""


def write_report(path: Path, document: Mapping[str, object]) -> None:
    """Write the page of a run from its `run.json`."""
    import jinja2

    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    path.write_text(environment.from_string(_TEMPLATE).render(document), encoding="utf-8")
