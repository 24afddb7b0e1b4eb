"""Charts as inline SVG: they open offline, print, need no script, and scale with the page.

All text is escaped here; what comes back is safe to put into the page.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from markupsafe import Markup, escape

from pipeline.foreign import in_page
from pipeline.radiometry.angles import circular_mean, wrapped
from pipeline.records import Array

#: Colours that stay apart for the colour-blind (Okabe and Ito 2008), those dark enough on white.
COLOURS = ("#0072b2", "#c04a00", "#007a5a", "#9c4f80", "#8a5a00", "#1b1b1b", "#3a7ca5")
#: Dashes, so that lines stay apart without colour.
DASHES = ("", "7 3", "2 3", "9 3 2 3", "4 4", "1 2", "12 4")
WIDTH, HEIGHT = 400, 250
_LEFT, _RIGHT, _TOP, _BOTTOM = 50, 18, 28, 42

_Values = TypeVar("_Values", float, Array)


@dataclass(frozen=True, eq=False)
class Line:
    """A line of a chart, (point,) each; `spread` is drawn as a band around it."""

    name: str
    x: Array
    y: Array
    spread: Array | None = None
    colour: str = COLOURS[0]
    dash: str = ""


@dataclass(frozen=True)
class Chart:
    """A drawn chart and its legend's entries: name, colour, dash."""

    svg: Markup
    legend: tuple[tuple[str, str, str], ...]


def style_of(index: int) -> tuple[str, str]:
    """Colour and dash of the line at `index` of a chart."""
    return COLOURS[index % len(COLOURS)], DASHES[index % len(DASHES)]


def ticks(low: float, high: float, wanted: int = 5) -> list[float]:
    """Round numbers from `low` to `high`, about `wanted` of them."""
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return [low]
    step = 10 ** math.floor(math.log10(span / wanted))
    step *= min((m for m in (1, 2, 5, 10) if span / (step * m) <= wanted + 0.5), default=10)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [i * step for i in range(first, last + 1)]


def label(value: float, among: Sequence[float]) -> str:
    """A tick's number with as many digits as its neighbours need."""
    steps = np.diff(np.asarray(among, np.float64))
    step = float(np.min(steps)) if steps.size else 0.0
    digits = max(-math.floor(math.log10(step) + 1e-9), 0) if step > 0 else 3
    if digits > 6 or abs(value) >= 1e6:
        return f"{value:.3g}"
    return f"{value:.{digits}f}".replace("-", "\u2212")


def padded(
    values: Array, *, around: float | None = None, least: float = 0.0
) -> tuple[float, float]:
    """A range that holds all finite values and `around`, a little wider, at least `least` wide."""
    known = values[np.isfinite(values)]
    if around is not None:
        known = np.append(known, around)
    if not known.size:
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    room = max((high - low) * 0.06, (least - (high - low)) / 2, abs(high) * 1e-6, 1e-12)
    return low - room, high + room


def line_chart(
    lines: Sequence[Line],
    *,
    x_label: str,
    y_label: str,
    alt: str,
    around: float | None = None,
    least: float = 0.0,
    marks: Sequence[float] = (),
    y_range: tuple[float, float] | None = None,
) -> Chart:
    """Lines over a common x axis.

    `around` is a value that the y axis must hold, `least` its smallest span, `marks` are
    horizontal lines, and `y_range` replaces the range found from the lines.
    """
    reach = [line.y if line.spread is None else line.y + s * line.spread
             for line in lines for s in ((0,) if line.spread is None else (-1, 1))]  # fmt: skip
    y0, y1 = y_range or padded(
        np.concatenate([*reach, np.asarray(marks, np.float64)]), around=around, least=least
    )
    xs = np.concatenate([line.x for line in lines])
    xs = xs[np.isfinite(xs)]
    x0, x1 = (float(xs.min()), float(xs.max())) if xs.size else (0.0, 1.0)
    if x1 <= x0:
        x0, x1 = x0 - 0.5, x0 + 0.5
    plot = _Plot(x0, x1, y0, y1)
    parts = [plot.axes(x_label, y_label)]
    parts += [
        f'<line class="mark" x1="{_LEFT}" x2="{WIDTH - _RIGHT}" y1="{plot.y(m):.1f}" '
        f'y2="{plot.y(m):.1f}"/>'
        for m in marks
    ]
    for line in lines:
        if line.spread is not None:
            parts.append(plot.band(line))
    for line in lines:
        dash = f' stroke-dasharray="{line.dash}"' if line.dash else ""
        parts.append(
            f'<path class="line" stroke="{line.colour}"{dash} d="{plot.path(line.x, line.y)}"/>'
        )
    legend = tuple((line.name, line.colour, line.dash) for line in lines if line.name)
    return Chart(_svg("".join(parts), alt), legend)


def framed(inside: str, alt: str, height: int) -> Chart:
    """A chart of SVG that is drawn already, `WIDTH` wide; its text is escaped by whoever drew."""
    return Chart(_svg(inside, alt, height), ())


def _text(text: str) -> Markup:
    return escape(in_page(text))


def _svg(inside: str, alt: str, height: int = HEIGHT) -> Markup:
    return Markup(
        f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{_text(alt)}">{inside}</svg>'
    )


@dataclass(frozen=True)
class _Plot:
    """From values to places within the axes."""

    x0: float
    x1: float
    y0: float
    y1: float
    height: int = HEIGHT

    def x(self, value: _Values) -> _Values:
        return _LEFT + (value - self.x0) / (self.x1 - self.x0) * (WIDTH - _LEFT - _RIGHT)

    def y(self, value: _Values) -> _Values:
        span = self.height - _TOP - _BOTTOM
        place = self.height - _BOTTOM - (value - self.y0) / (self.y1 - self.y0) * span
        clipped: _Values = np.clip(place, -1e4, 1e4)
        return clipped

    def axes(self, x_label: str, y_label: str) -> str:
        bottom, right = self.height - _BOTTOM, WIDTH - _RIGHT
        parts = []
        x_ticks, y_ticks = ticks(self.x0, self.x1, 6), ticks(self.y0, self.y1)
        for value in y_ticks:
            at = self.y(value)
            parts.append(
                f'<line class="grid" x1="{_LEFT}" x2="{right}" y1="{at:.1f}" y2="{at:.1f}"/>'
                f'<text x="{_LEFT - 6}" y="{at + 4:.1f}" text-anchor="end">'
                f"{label(value, y_ticks)}</text>"
            )
        for value in x_ticks:
            at = self.x(value)
            parts.append(
                f'<line class="axis" x1="{at:.1f}" x2="{at:.1f}" y1="{bottom}" y2="{bottom + 4}"/>'
                f'<text x="{at:.1f}" y="{bottom + 17}" text-anchor="middle">'
                f"{label(value, x_ticks)}</text>"
            )
        parts.append(
            f'<path class="axis" d="M{_LEFT} {_TOP}V{bottom}H{right}"/>'
            f'<text x="{(_LEFT + right) / 2}" y="{self.height - 6}" text-anchor="middle">'
            f"{_text(x_label)}</text>"
            f'<text x="4" y="14">{_text(y_label)}</text>'
        )
        return "".join(parts)

    def path(self, xs: Array, ys: Array) -> str:
        """A path through the points, broken where one is not finite.

        Each part begins with a line of no length, whose round caps show a point between two gaps.
        """
        known = np.isfinite(xs) & np.isfinite(ys)
        first = known & ~np.concatenate([[False], known[:-1]])
        places = self.places(xs[known], ys[known])
        return "".join(
            f"M{place}h0" if begins else f"L{place}"
            for place, begins in zip(places, first[known].tolist(), strict=True)
        )

    def places(self, xs: Array, ys: Array) -> list[str]:
        """Points within the axes as a path has them."""
        across, down = self.x(xs).tolist(), self.y(ys).tolist()
        return [f"{x:.1f} {y:.1f}" for x, y in zip(across, down, strict=True)]

    def band(self, line: Line) -> str:
        assert line.spread is not None
        known = np.isfinite(line.x) & np.isfinite(line.y) & np.isfinite(line.spread)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(int), [0]])))
        parts = []
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            x, y, spread = (one[start:stop] for one in (line.x, line.y, line.spread))
            upper, lower = self.places(x, y + spread), self.places(x, y - spread)
            parts.append(f"M{'L'.join(upper + lower[::-1])}Z")
        return f'<path class="band" fill="{line.colour}" d="{"".join(parts)}"/>'


def ground_map(
    *,
    strips: Sequence[tuple[str, Array]],
    survey: Sequence[Array],
    regions: Sequence[tuple[str, Array]],
    track: Array | None,
    panels: Sequence[tuple[str, tuple[float, float]]],
    alt: str,
) -> tuple[Chart, tuple[float, float]]:
    """A plain map in metres east and north of its middle, and that place (longitude, latitude).

    Positions are (vertex, 2) [longitude, latitude in degrees]. The scale is equal on both axes;
    one degree of latitude is taken as 111.2 km (a sphere's, which is enough to look at).
    """
    places = [ring for _, ring in strips] + list(survey) + [ring for _, ring in regions]
    if panels:
        places.append(np.array([place for _, place in panels]))
    if not places and track is not None:
        places.append(track)
    every = np.concatenate(places)
    every = every[np.isfinite(every).all(axis=1)]
    # About their own mean, so that those on both sides of the 180th meridian are neighbours.
    mean = circular_mean(every[:, 0])
    every[:, 0] = mean + wrapped(every[:, 0] - mean)
    centre = (every.min(axis=0) + every.max(axis=0)) / 2
    scale = np.array([111_195 * math.cos(math.radians(centre[1])), 111_195.0])
    metres = (every - centre) * scale
    half = np.abs(metres).max(axis=0) * 1.06 + 0.5
    across = WIDTH - _LEFT - _RIGHT
    height = int(np.clip(across * half[1] / half[0], 140, 420)) + _TOP + _BOTTOM
    per_metre = min(across / (2 * half[0]), (height - _TOP - _BOTTOM) / (2 * half[1]))
    wide, tall = across / per_metre / 2, (height - _TOP - _BOTTOM) / per_metre / 2
    plot = _Plot(-wide, wide, -tall, tall, height)

    def shape(ring: Array, kind: str, closed: str = "Z") -> str:
        at = (ring - centre) * scale
        at[:, 0] = wrapped(ring[:, 0] - centre[0]) * scale[0]
        return f'<path class="{kind}" d="{plot.path(at[:, 0], at[:, 1])}{closed}"/>'

    parts = [plot.axes("metres east", "metres north")]
    clip = f'x="{_LEFT}" y="{_TOP}" width="{across}" height="{height - _TOP - _BOTTOM}"'
    parts.append(f'<clipPath id="map"><rect {clip}/></clipPath><g clip-path="url(#map)">')
    parts += [shape(ring, "strip") for _, ring in strips]
    parts += [shape(ring, "region") for _, ring in regions]
    parts += [shape(ring, "survey") for ring in survey]
    if track is not None:
        parts.append(shape(track, "track", ""))
    for name, place in panels:
        x, y = wrapped(place[0] - centre[0]) * scale[0], (place[1] - centre[1]) * scale[1]
        parts.append(
            f'<circle class="panel" cx="{plot.x(x):.1f}" cy="{plot.y(y):.1f}" r="4">'
            f"<title>{_text(name)}</title></circle>"
        )
    parts.append("</g>")
    legend = [("strips", "#0072b2", "")]
    legend += [("track", "#1b1b1b", "2 3")] if track is not None else []
    legend += [("survey polygon", "#c04a00", "")] if survey else []
    legend += [("other regions", "#007a5a", "4 4")] if regions else []
    legend += [("panels", "#9c4f80", "0.1 8")] if panels else []
    return Chart(_svg("".join(parts), alt, height), tuple(legend)), (
        float(wrapped(centre[0])),
        float(centre[1]),
    )
