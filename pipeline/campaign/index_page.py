"""index.html of a campaign: all its flights, the ones that need somebody first."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from pipeline.errors import one_line
from pipeline.write.publish import write_text

_ORDER = ("failed", "set aside", "not whole", "waiting", "done")

_TEMPLATE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>{{ title }}: flights</title>
<style>
body { font: 16px/1.5 system-ui, sans-serif; max-width: 70rem; margin: 2rem auto; padding: 0 1rem;
  color: #1b1f24; background: #fff; }
table { border-collapse: collapse; width: 100%; }
th, td { padding: .4rem .7rem; text-align: left; vertical-align: top;
  border-bottom: 1px solid #d5d9de; overflow-wrap: anywhere; }
th { white-space: nowrap; }
.failed, .set-aside, .not-whole { font-weight: 600; color: #a11a1a; }
@media (prefers-color-scheme: dark) {
  body { color: #e4e7eb; background: #15181c; } th, td { border-color: #3a4048; }
  a { color: #8ab4f8; } .failed, .set-aside, .not-whole { color: #ff9a8f; } }
</style>
</head>
<body>
<h1>{{ title }}</h1>
<p>{{ rows | length }} flights
{%- for state, number in counts %}, {{ number }} {{ state }}{% endfor %}. Times are UTC.</p>
<table>
<thead><tr><th scope="col">Flight</th><th scope="col">State</th><th scope="col">Verdict</th>
<th scope="col">Reason</th><th scope="col">Since</th><th scope="col">Report</th></tr></thead>
<tbody>
{% for row in rows %}<tr><th scope="row">{{ row.flight }}</th>
<td class="{{ row.state | replace(' ', '-') }}">{{ row.state }}</td>
<td>{{ row.verdict }}</td><td>{{ row.reason }}</td><td>{{ row.since }}</td>
<td>{% if row.link %}<a href="{{ row.link }}">{{ row.run_id }}</a>{% endif %}</td></tr>
{% endfor %}</tbody>
</table>
</body>
</html>
"""


@dataclass(frozen=True)
class IndexRow:
    """One flight of the page."""

    flight: str
    state: str
    verdict: str
    reason: str
    run_id: str
    report: Path | None
    changed_s: float  # since 1970


def write_index(path: Path, title: str, rows: Sequence[IndexRow]) -> None:
    """Write the page whole; names and reasons are shown as text, links are relative.

    Raises
    ------
    OSError
        It cannot be written; the earlier page stays.
    """
    import jinja2

    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    counts = [(state, sum(row.state == state for row in rows)) for state in _ORDER]
    text = environment.from_string(_TEMPLATE).render(
        title=one_line(title),
        counts=[(state, number) for state, number in counts if number],
        rows=[_shown(row, path.parent) for row in sorted(rows, key=_urgency)],
    )
    write_text(path, text)


def _urgency(row: IndexRow) -> tuple[int, str]:
    return (_ORDER.index(row.state) if row.state in _ORDER else len(_ORDER), row.flight)


def _shown(row: IndexRow, folder: Path) -> dict[str, str]:
    link = ""
    if row.report is not None:
        link = quote(os.fsencode(os.path.relpath(row.report, folder)))
    return {
        "flight": one_line(row.flight),
        "state": row.state,
        "verdict": row.verdict,
        "reason": one_line(row.reason),
        "since": _shown_time(row.changed_s),
        "run_id": one_line(row.run_id),
        "link": link,
    }


def _shown_time(seconds: float) -> str:
    """A time since 1970 as people read it; a damaged ledger may hold one of no calendar."""
    try:
        return dt.datetime.fromtimestamp(seconds, dt.UTC).strftime("%Y-%m-%d %H:%M")
    except (OverflowError, ValueError, OSError):
        return "unknown"
