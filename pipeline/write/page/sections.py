"""The page's charts, section by section."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.radiometry.limits import LOW_SIGNAL_SNR, UNUSABLE_SNR
from pipeline.records import Array
from pipeline.write.page.charts import Chart, Line, ground_map, line_chart, style_of
from pipeline.write.page.data import Curve, ReportData
from pipeline.write.page.overlap import overlap_charts
from pipeline.write.run_record import PanelRow, Spectrum

#: Curves in one chart at the most; more cannot be told apart.
_MOST_CURVES = 7
_NM = "wavelength, nm"

#: Title, chart and note of each chart of a section.
Charts = tuple[tuple[str, Chart, str], ...]


@dataclass(frozen=True, eq=False)
class Section:
    """A part of the page: charts with their titles and notes."""

    key: str
    name: str
    about: str
    charts: Charts


def sections(panels: Sequence[PanelRow], data: ReportData | None) -> list[Section]:
    """The sections that there is something to draw for."""
    if data is None:
        return []
    made = [
        _panels(panels, data.wavelength_nm),
        Section("noise", "Dark and noise", "", (*_dark(data), *_signal(data))),
        Section(
            "flight",
            "Light, flight and ground",
            "",
            (*_light(data), *_ground(data), *overlap_charts(data.overlap)),
        ),
    ]
    return [section for section in made if section.charts]


def _values(spectrum: Spectrum) -> Array:
    return np.array([np.nan if v is None else v for v in spectrum], np.float64)


def _panels(rows: Sequence[PanelRow], nm: Array) -> Section:
    rows = [row for row in rows if len(row.certified) == nm.size]
    certified, measured, residual = [], [], []
    for i, row in enumerate(rows):
        colour, dash = style_of(i)
        name = row.panel + (" (check)" if row.use == "check" else "")
        truth, value = _values(row.certified), _values(row.predicted)
        spread = 2 * _values(row.certified_uncertainty)
        certified.append(Line("", nm, truth, spread, colour, "1 3"))
        measured.append(Line(name, nm, value, None, colour, dash))
        both = np.hypot(spread, 2 * _values(row.predicted_uncertainty))
        residual.append(Line(name, nm, value - truth, both, colour, dash))
    charts: list[tuple[str, Chart, str]] = []
    if rows:
        names = ", ".join(row.panel for row in rows)
        charts.append(
            (
                "Panels against their certificates",
                line_chart(
                    [*certified, *measured],
                    x_label=_NM,
                    y_label="reflectance factor",
                    alt=f"Measured and certified reflectance of {names} over wavelength",
                    around=0.0,
                ),
                "Lines: what the empirical line makes of each panel's signal. Dots and bands: its "
                "certificate with expanded uncertainty (k = 2).",
            )
        )
        for line in residual:
            apart = np.abs(line.y)
            worst = f"; largest {np.nanmax(apart):.2g}" if np.isfinite(apart).any() else ""
            charts.append(
                (
                    f"Residual of {line.name}",
                    line_chart(
                        [Line("", line.x, line.y, line.spread, line.colour)],
                        x_label=_NM,
                        y_label="measured less certified",
                        alt=f"Measured less certified reflectance of {line.name}{worst}",
                        around=0.0,
                        marks=(0.0,),
                    ),
                    "",
                )
            )
    about = (
        "Bands around residuals are the expanded uncertainty of the difference (k = 2). Where a "
        "line breaks off, the panel is saturated or has no certificate. A check panel takes no "
        "part in the fit."
    )
    return Section("panels", "Panels", about, tuple(charts))


def _dark(data: ReportData) -> Charts:
    few = data.darks[:_MOST_CURVES]
    levels = [Line(d.name, d.frame, d.level, None, *style_of(i)) for i, d in enumerate(few)]
    profiles = [
        Line(d.name, np.arange(d.profile.size, dtype=np.float64), d.profile, None, *style_of(i))
        for i, d in enumerate(few)
    ]
    if not few:
        return ()
    names = ", ".join(d.name for d in few)
    return (
        (
            "Dark level from frame to frame",
            line_chart(
                levels,
                x_label="frame of the capture",
                y_label="mean level, counts",
                alt=f"Mean dark level of each frame of {names}",
                least=0.5,
            ),
            "Mean over all elements. A slope is a camera still warming up.",
        ),
        (
            "Mean dark across the swath",
            line_chart(
                profiles,
                x_label="sample",
                y_label="mean level, counts",
                alt=f"Mean dark level of each sample of {names}",
                least=0.5,
            ),
            "Mean over bands and frames.",
        ),
    )


def _signal(data: ReportData) -> Charts:
    if data.snr is None or data.snr.size != data.wavelength_nm.size:
        return ()
    low = int((data.snr < LOW_SIGNAL_SNR).sum())
    chart = line_chart(
        [Line("", data.wavelength_nm, data.snr)],
        x_label=_NM,
        y_label="signal over noise",
        alt=f"Median scene signal over its noise by band; {low} bands below {LOW_SIGNAL_SNR:g}",
        around=0.0,
        marks=(UNUSABLE_SNR, LOW_SIGNAL_SNR),
    )
    note = (
        f"Dashed: {LOW_SIGNAL_SNR:g}, below which a band is low, and {UNUSABLE_SNR:g}, below which "
        "it is unusable."
    )
    return (("Signal over noise: median of the scene", chart, note),)


def _light(data: ReportData) -> Charts:
    charts = []
    if data.irradiance:
        lines, since = _over_time(data.irradiance)
        charts.append(
            (
                "Irradiance over time",
                line_chart(
                    lines,
                    x_label=f"minutes since {since}",
                    y_label="irradiance ratio",
                    alt="Irradiance over the flight",
                    least=0.02,
                ),
                "",
            )
        )
    if data.along_track:
        lines, since = _over_time(data.along_track)
        if len(lines) > _MOST_CURVES:
            lines = [Line("", line.x, line.y) for line in lines]
        charts.append(
            (
                "Along-track sampling",
                line_chart(
                    lines,
                    x_label=f"minutes since {since}",
                    y_label="ground step over sample width",
                    alt="Ground step between lines over the ground width of a sample",
                    around=1.0,
                    least=0.2,
                    marks=(1.0,),
                ),
                "1: lines as far apart as samples are wide.",
            )
        )
    return tuple(charts)


def _over_time(curves: Sequence[Curve]) -> tuple[list[Line], str]:
    first = min(float(curve.x.min()) for curve in curves if curve.x.size)
    since = dt.datetime.fromtimestamp(first, dt.UTC).strftime("%H:%M:%S UTC")
    return [
        Line(curve.name, (curve.x - first) / 60, curve.y, None, *style_of(i))
        for i, curve in enumerate(curves)
    ], since


def _ground(data: ReportData) -> Charts:
    strips = [(n, p.outline) for n, p in data.previews.items() if p.outline is not None]
    if not strips and data.track is None:
        return ()
    chart, (longitude, latitude) = ground_map(
        strips=strips,
        survey=data.survey,
        regions=list(data.regions.items()),
        track=data.track,
        panels=list(data.panels.items()),
        alt=f"Map of {len(strips)} strips"
        + (", the survey polygon" if data.survey else "")
        + (f" and the panels {', '.join(data.panels)}" if data.panels else ""),
    )
    note = (
        f"The middle is at latitude {latitude:.6f}, longitude {longitude:.6f}. Places are "
        "estimates on flat ground from the track: for orientation, not for survey."
    )
    return (("Strips, survey and panels", chart, note),)
