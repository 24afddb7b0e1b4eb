"""What the page shows beyond `run.json`, gathered and thinned."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.radiometry.preview import Preview
from pipeline.radiometry.squares import Overlap
from pipeline.records import Array, DarkCapture, Illumination, LineTimes, PanelReading
from pipeline.write.page.doubts import LineDoubts, line_doubts

if TYPE_CHECKING:
    from shapely import MultiPolygon, Polygon

Index = NDArray[np.intp]

#: Points of a drawn line at the most; more than a chart has dots across.
MOST_POINTS = 400


@dataclass(frozen=True, eq=False)
class Curve:
    """A named line of a chart, (point,) each."""

    name: str
    x: Array
    y: Array


@dataclass(frozen=True, eq=False)
class DarkTrace:
    """One dark capture: its level from frame to frame, and its mean across samples."""

    name: str
    frame: Array  # (point,)
    level: Array  # (point,) [count]
    profile: Array  # (sample,) [count], mean over bands


@dataclass(frozen=True, eq=False)
class ReportData:
    """What the page draws; whatever is empty or None is left out.

    Positions are (vertex, 2) [longitude, latitude in degrees]; times are seconds since 1970.
    """

    wavelength_nm: Array  # (band,) of the panels' spectra: every band of the camera
    preview_nm: Array  # (band,) of the previews: the bands that were written
    previews: Mapping[str, Preview] = field(default_factory=dict)  # by cube
    doubts: Mapping[str, LineDoubts] = field(default_factory=dict)  # by cube
    darks: tuple[DarkTrace, ...] = ()
    snr: Array | None = None  # (band,) median scene signal over its own noise
    irradiance: tuple[Curve, ...] = ()  # log (scaled) and the ratio used, over time
    along_track: tuple[Curve, ...] = ()  # ground step over sample width, by cube, over time
    track: Array | None = None
    survey: tuple[Array, ...] = ()  # rings of the survey polygon
    regions: Mapping[str, Array] = field(default_factory=dict)  # other polygons' outer rings
    panels: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    overlap: Overlap | None = None  # of the two strips that differ most
    config_text: str = ""  # as it was used


def report_data(
    *,
    wavelength_nm: Array,
    preview_nm: Array,
    previews: Mapping[str, Preview],
    darks: Sequence[DarkCapture] = (),
    readings: Sequence[PanelReading] = (),
    snr: Array | None = None,
    times: Mapping[str, LineTimes] | None = None,
    illumination: Mapping[str, Illumination] | None = None,
    irradiance_log: tuple[Array, Array] | None = None,
    along_track: Mapping[str, Array] | None = None,
    track: tuple[Array, Array] | None = None,
    regions: Mapping[str, Polygon | MultiPolygon] | None = None,
    survey: str = "survey",
    unwritten: Mapping[str, Sequence[tuple[int, int]]] | None = None,
) -> ReportData:
    """Gather and thin what the page draws.

    Parameters
    ----------
    wavelength_nm : (band,) all bands, as the panels' spectra in `run.json` have them
    preview_nm : (band,) the bands that are written
    previews : by cube
    darks, readings : as measured
    snr : (band,) median scene signal over its noise
    times, illumination, along_track : by cube, (line,) each; a NaN time leaves the line out
    irradiance_log : times and irradiance
    track : latitude and longitude, (point,) each
    regions : named polygons; `survey` names the survey polygon among them
    unwritten : half-open spans of lines that were never written, by cube
    """
    times, along_track = times or {}, along_track or {}
    few = max(2 * MOST_POINTS // max(len(along_track), 1), 10)
    names = [name for name in previews if name in times]
    rings: list[Array] = []
    others: dict[str, Array] = {}
    for name, shape in (regions or {}).items():
        for part in getattr(shape, "geoms", [shape]):
            ring = np.asarray(part.exterior.coords, np.float64)[:, :2]
            if name == survey:
                rings.append(ring)
            else:
                others[name] = ring
    return ReportData(
        wavelength_nm=wavelength_nm,
        preview_nm=preview_nm,
        previews=dict(previews),
        doubts={
            name: line_doubts(
                preview,
                illumination[name].extrapolated if illumination and name in illumination else None,
                (unwritten or {}).get(name, ()),
            )
            for name, preview in previews.items()
        },
        darks=tuple(_dark_trace(d) for d in sorted(darks, key=_when)),
        snr=snr,
        irradiance=_irradiance(
            [(times[n].time_s, illumination[n].level) for n in names if n in illumination]
            if illumination
            else [],
            irradiance_log,
        ),
        along_track=tuple(
            _curve(name, times[name].time_s, ratio, few)
            for name, ratio in along_track.items()
            if name in times and np.isfinite(ratio).any()
        ),
        track=None if track is None else _thin(np.column_stack([track[1], track[0]])),
        survey=tuple(rings),
        regions=others,
        panels=_panel_places(previews, readings),
    )


def _irradiance(
    used: Sequence[tuple[Array, Array]], log: tuple[Array, Array] | None
) -> tuple[Curve, ...]:
    """The ratio used at each cube's lines, and the log brought to it where they overlap."""
    if not used:
        return ()
    at, ratio = (np.concatenate(parts) for parts in zip(*used, strict=True))
    if log is None:
        return (_curve("ratio used", at, ratio),) if np.ptp(ratio) > 0 else ()
    logged = np.interp(at, *log, left=np.nan, right=np.nan)
    scale = np.nanmedian(ratio / logged) if np.isfinite(logged).any() else 1 / np.nanmean(log[1])
    return _curve("irradiance log, scaled", log[0], log[1] * scale), _curve("ratio used", at, ratio)


def _when(dark: DarkCapture) -> tuple[bool, float]:
    return math.isnan(dark.time_s), dark.time_s


def _dark_trace(dark: DarkCapture) -> DarkTrace:
    level = np.asarray(dark.level, np.float64)
    frame = np.arange(level.size, dtype=np.float64)
    return DarkTrace(
        dark.name, _thin(frame), _thin(level), np.nanmean(dark.mean, axis=0, dtype=np.float64)
    )


def _thin(values: Array, most: int = MOST_POINTS) -> Array:
    return values[:: max(-(-len(values) // most), 1)]


def _curve(name: str, x: Array, y: Array, most: int = MOST_POINTS) -> Curve:
    known = np.isfinite(x)
    return Curve(name, _thin(x[known], most), _thin(y[known], most))


def _panel_places(
    previews: Mapping[str, Preview], readings: Sequence[PanelReading]
) -> dict[str, tuple[float, float]]:
    """Where each panel lies, from the nearest positions that a preview keeps."""
    places: dict[str, tuple[float, float]] = {}
    for reading in readings:
        preview = previews.get(reading.cube)
        if preview is None or preview.latitude is None or preview.longitude is None:
            continue
        grid = preview.plan.spectra
        line, sample = (sum(span) / 2 - 0.5 for span in (reading.lines, reading.samples))
        at = [
            _between(values, grid.line_index, grid.sample_index, line, sample)
            for values in (preview.longitude, preview.latitude)
        ]
        if np.isfinite(at).all():
            places.setdefault(reading.panel, (at[0], at[1]))
    return places


def _between(values: Array, lines: Index, samples: Index, line: float, sample: float) -> float:
    """Linear between, and beyond, the nodes of a grid; nearest along an axis of one node."""

    def node(index: Index, at: float) -> tuple[int, int, float]:
        if len(index) < 2:
            return 0, 0, 0.0
        low = int(np.clip(np.searchsorted(index, at) - 1, 0, len(index) - 2))
        return low, low + 1, float((at - index[low]) / (index[low + 1] - index[low]))

    i, j, s = node(lines, line)
    k, m, t = node(samples, sample)
    near = (1 - t) * values[i, k] + t * values[i, m]
    far = (1 - t) * values[j, k] + t * values[j, m]
    return float((1 - s) * near + s * far)
