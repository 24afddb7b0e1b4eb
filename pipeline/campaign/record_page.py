"""record.html: a chart for each quantity of a camera, in one file that needs nothing else."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
from markupsafe import Markup, escape

from pipeline.campaign.camera_record import CameraRecord, QuantityChart
from pipeline.campaign.past_runs import PassedOver
from pipeline.campaign.record_table import elements_told
from pipeline.foreign import in_page, one_line
from pipeline.radiometry.control_charts import BASELINE
from pipeline.records import Array
from pipeline.write.page.charts import label, padded, ticks

WIDTH, HEIGHT = 640, 230
LEFT, RIGHT, TOP, BOTTOM = 62, 14, 16, 34
#: Flights from which on points are small.
MANY = 80
#: Least span of a chart, by unit: below, the digits of a steady quantity would fill it.
LEAST = {"deg C": 4.0, "element": 4.0, "count": 0.1}

_TEMPLATE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>Record of {{ folder }}</title>
<style>
:root { color-scheme: light dark; --ink: #1b1f24; --ground: #fff; --faint: #d5d9de;
  --soft: #56606b; --bad: #b01e1e; --point: #0057a0; --within: #e8f0f7; --average: #8a5a00; }
@media (prefers-color-scheme: dark) { :root { --ink: #e4e7eb; --ground: #15181c; --faint: #3a4048;
  --soft: #a3adb8; --bad: #ff8f85; --point: #7fb8f0; --within: #1d2a38; --average: #e0b050; } }
body { font: 16px/1.5 system-ui, sans-serif; max-width: 84rem; margin: 1.5rem auto;
  padding: 0 1rem; color: var(--ink); background: var(--ground); }
h1, h2, h3 { line-height: 1.25; overflow-wrap: anywhere; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.25rem; margin-top: 2.2rem; }
h3 { font-size: 1rem; margin: 0; }
a { color: var(--point); }
a:focus-visible { outline: 3px solid var(--average); outline-offset: 2px; }
ul { padding-left: 1.2rem; } li { overflow-wrap: anywhere; }
.alarm { color: var(--bad); font-weight: 600; } .soft { color: var(--soft); }
.charts { display: grid; gap: 1rem;
  grid-template-columns: repeat(auto-fill, minmax(min(100%, 34rem), 1fr)); }
figure { margin: 0; padding: .8rem; border: 1px solid var(--faint); border-radius: 6px;
  min-width: 0; }
figure.outside { border-color: var(--bad); }
figure p { margin: .2rem 0; font-size: .9rem; }
svg { width: 100%; height: auto; display: block; }
svg text { font: 13px system-ui, sans-serif; fill: var(--soft); }
.grid { stroke: var(--faint); } .axis { stroke: var(--soft); fill: none; }
.within { fill: var(--within); } .centre { stroke: var(--soft); stroke-dasharray: 6 4; }
.average { stroke: var(--average); fill: none; stroke-width: 1.8; }
.bar { stroke: var(--point); opacity: .45; }
.dot { fill: var(--point); stroke: var(--ground); }
.dense { stroke: none; }
.cross { stroke: var(--bad); stroke-width: 2.6; fill: none; }
.new { stroke: var(--average); stroke-dasharray: 2 3; }
svg a:focus-visible { outline: none; }
svg a:focus-visible .hit, svg a:hover .hit { stroke: var(--average); stroke-width: 2.5; }
.hit { fill: transparent; }
@media (max-width: 40rem) { svg text { font-size: 19px; } }
@media print { figure { break-inside: avoid; } }
</style>
</head>
<body>
<h1>Record of {{ folder }}</h1>
<p>{{ flights }} flights{% if cameras | length > 1 %} of {{ cameras | length }} cameras{% endif %}.
A point is a flight, and leads to its report; the bar is its standard uncertainty. Within the
shaded limits a flight is like the first {{ baseline }}; the line is the weighted mean of the
flights so far, which shows slow drift. A cross is a flight outside the limits of either.</p>
{% for camera in cameras %}
<section>
<h2>{{ camera.label }}</h2>
<p class="soft">{{ camera.span }}</p>
{% if camera.alarms %}<ul>{% for alarm in camera.alarms %}<li class="alarm">{{ alarm }}</li>
{% endfor %}</ul>
{% else %}<p>{{ camera.calm }}</p>{% endif %}
{% if camera.notes %}<ul>{% for note in camera.notes %}<li>{{ note }}</li>
{% endfor %}</ul>{% endif %}
<div class="charts">
{% for chart in camera.charts %}<figure{% if chart.alarms %} class="outside"{% endif %}>
<h3>{{ chart.name }}{% if chart.unit %} <span class="soft">[{{ chart.unit }}]</span>{% endif %}</h3>
<p{% if chart.alarms %} class="alarm"{% else %} class="soft"{% endif %}>{{ chart.says }}</p>
{{ chart.svg }}
</figure>
{% endfor %}</div>
</section>
{% endfor %}
{% if passed_over %}<h2>Passed over</h2>
<ul>{% for passed in passed_over %}<li>{{ passed.run }}: {{ passed.why }}</li>{% endfor %}</ul>
{% endif %}
</body>
</html>
"""


def page_text(
    folder: Path, cameras: Sequence[CameraRecord], passed_over: Sequence[PassedOver]
) -> str:
    """The page; what strangers wrote is shown as text, links are relative to the folder."""
    import jinja2

    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, finalize=in_page
    )
    return environment.from_string(_TEMPLATE).render(
        folder=folder.resolve().name,
        flights=sum(len(camera.flights) for camera in cameras),
        baseline=BASELINE,
        cameras=[_camera(folder, camera) for camera in cameras],
        passed_over=[{"run": str(p.run), "why": p.why} for p in passed_over],
    )


def _camera(folder: Path, camera: CameraRecord) -> dict[str, Any]:
    first, last = camera.flights[0], camera.flights[-1]
    alarms = sorted((a for c in camera.charts for a in c.alarms), key=lambda a: a.first)
    notes = [change.says for change in camera.certificates]
    new = elements_told(camera.new_elements[-1], last.quantities.camera.samples)
    notes += [f"Bad elements of {last.flight}: {new}."] if new else []
    judged = any(math.isfinite(chart.chart.centre) for chart in camera.charts)
    return {
        "label": camera.label,
        "span": f"{len(camera.flights)} flights, {first.day or '?'} to {last.day or '?'}"
        if len(camera.flights) > 1
        else f"1 flight, {first.day or 'at an unknown time'}",
        "alarms": [alarm.says for alarm in alarms],
        "calm": "No quantity is outside its limits."
        if judged
        else "Too few flights to judge: limits come from the first ten.",
        "notes": notes,
        "charts": [_chart(folder, camera, chart) for chart in camera.charts],
    }


def _chart(folder: Path, camera: CameraRecord, chart: QuantityChart) -> dict[str, Any]:
    share = 100.0 if chart.unit == "1" else 1.0
    unit = "%" if chart.unit == "1" else chart.unit
    if chart.alarms:
        says = f"Outside its limits: {len(chart.alarms)} alarm{'s' * (len(chart.alarms) > 1)}, "
        says += f"the first in {chart.alarms[0].flight}."
    elif not chart.is_judged:
        says = ""
    elif math.isfinite(chart.chart.centre):
        says = (
            f"Within its limits, {_number(share * chart.chart.centre)} \u00b1 "
            f"{_number(share * chart.chart.limit)} {unit}."
        )
    else:
        says = "Too few flights to judge."
    notes = "; ".join(chart.notes)
    return {
        "name": chart.name,
        "unit": unit,
        "alarms": bool(chart.alarms),
        "says": f"{says} {notes[:1].upper() + notes[1:]}".strip(),
        "svg": _svg(folder, camera, chart, share),
    }


def _number(value: float) -> str:
    return f"{value:.3g}".replace("-", "\u2212")


class _Places:
    """From flights and values to places in the drawing."""

    def __init__(self, flights: int, y: tuple[float, float]) -> None:
        self.flights, (self.y0, self.y1) = flights, y

    def x(self, i: float) -> float:
        return LEFT + (i + 0.5) / self.flights * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        span = HEIGHT - TOP - BOTTOM
        return HEIGHT - BOTTOM - (value - self.y0) / (self.y1 - self.y0) * span


def _svg(folder: Path, camera: CameraRecord, chart: QuantityChart, share: float) -> Markup:
    judged, u = share * chart.judged, share * np.nan_to_num(chart.uncertainties)
    centre = share * chart.chart.centre
    limits = [centre + s * share * chart.chart.half_width for s in (-1, 1)]
    at = _Places(
        len(camera.flights),
        padded(np.concatenate([judged - u, judged + u, *limits]), least=LEAST.get(chart.unit, 0.0)),
    )
    parts = [_axes(at, camera), _limits(at, limits, centre)]
    parts += [_new_certificate(at, i) for i in _changes(camera, chart)]
    parts.append(f'<path class="average" d="{_path(at, share * chart.chart.average)}"/>')
    parts += [
        _point(at, folder, camera, chart, i, (float(judged[i]), float(u[i])))
        for i in np.flatnonzero(np.isfinite(judged)).tolist()
    ]
    alt = escape(one_line(f"{chart.name} of {len(camera.flights)} flights"))
    size = f'viewBox="0 0 {WIDTH} {HEIGHT}"'
    return Markup(f'<svg {size} role="group" aria-label="{alt}">{"".join(parts)}</svg>')


def _axes(at: _Places, camera: CameraRecord) -> str:
    right, bottom = WIDTH - RIGHT, HEIGHT - BOTTOM
    values = ticks(at.y0, at.y1, 4)
    parts = [
        f'<line class="grid" x1="{LEFT}" x2="{right}" y1="{at.y(v):.1f}" y2="{at.y(v):.1f}"/>'
        f'<text x="{LEFT - 7}" y="{at.y(v) + 4:.1f}" text-anchor="end">{label(v, values)}</text>'
        for v in values
    ]
    days = [flight.day for flight in camera.flights]
    for i, anchor in ((0, "start"), (len(days) - 1, "end")) if len(days) > 1 else ((0, "middle"),):
        x = {"start": LEFT, "end": right, "middle": at.x(0)}[anchor]
        parts.append(f'<text x="{x:.1f}" y="{HEIGHT - 10}" text-anchor="{anchor}">{days[i]}</text>')
    parts.append(f'<path class="axis" d="M{LEFT} {TOP}V{bottom}H{right}"/>')
    return "".join(parts)


def _limits(at: _Places, limits: Sequence[Array], centre: float) -> str:
    """The band within the limits of each flight, and the centre."""
    if not math.isfinite(centre):
        return ""
    half = (WIDTH - LEFT - RIGHT) / at.flights / 2
    bands = [
        f'<rect class="within" x="{at.x(i) - half:.1f}" width="{2 * half + 0.3:.1f}" '
        f'y="{at.y(limits[1][i]):.1f}" height="{at.y(limits[0][i]) - at.y(limits[1][i]):.1f}"/>'
        for i in np.flatnonzero(np.isfinite(limits[0])).tolist()
    ]
    y = f"{at.y(centre):.1f}"
    line = f'<line class="centre" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y}" y2="{y}"/>'
    return "".join(bands) + line


def _changes(camera: CameraRecord, chart: QuantityChart) -> list[int]:
    return [c.at for c in camera.certificates if chart.of_panel and chart.name[6:] == c.panel]


def _new_certificate(at: _Places, i: int) -> str:
    x = at.x(i - 0.5)
    return (
        f'<line class="new" x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM}"/>'
        f'<text x="{x + 4:.1f}" y="{TOP + 10}">new certificate</text>'
    )


def _path(at: _Places, values: Array) -> str:
    known = np.flatnonzero(np.isfinite(values)).tolist()
    places = [f"{at.x(i):.1f} {at.y(values[i]):.1f}" for i in known]
    return f"M{'L'.join(places)}" if places else ""


def _point(
    at: _Places,
    folder: Path,
    camera: CameraRecord,
    chart: QuantityChart,
    i: int,
    value: tuple[float, float],
) -> str:
    """A flight: its value, its uncertainty, and the way to its report."""
    flight, (middle, u) = camera.flights[i], value
    x, y = at.x(i), at.y(middle)
    broken = chart.chart.broken[i]
    told = f"{flight.flight}, {flight.day or 'unknown day'}: {_number(middle)}"
    told += f" \u00b1 {_number(u)}" if u > 0 else ""
    told += {"": "", "individuals": ", outside the limits", "ewma": ", a slow drift"}[broken]
    link = quote(os.fsencode(os.path.relpath(flight.run / "report.html", folder)))
    # Among hundreds a rim would hide the neighbours.
    dot, r = ("dot", 3.6) if at.flights <= MANY else ("dot dense", 1.8)
    shape = f'<circle class="{dot}" cx="{x:.1f}" cy="{y:.1f}" r="{r}"/>'
    if broken:
        shape = (
            f'<path class="cross" d="M{x - 5:.1f} {y - 5:.1f}l10 10'
            f'M{x - 5:.1f} {y + 5:.1f}l10 -10"/>'
        )
    bar = ""
    if u > 0:
        ends = f'y1="{at.y(middle - u):.1f}" y2="{at.y(middle + u):.1f}"'
        bar = f'<line class="bar" x1="{x:.1f}" x2="{x:.1f}" {ends}/>'
    name = escape(one_line(told))
    return (
        f'<a href="{escape(link)}" aria-label="{name}"><title>{name}</title>{bar}{shape}'
        f'<circle class="hit" cx="{x:.1f}" cy="{y:.1f}" r="8"/></a>'
    )
