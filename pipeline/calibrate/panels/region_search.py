"""Panels given by polygons: the track leads to them, the image refines the place."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import Polygon

from pipeline.calibrate.cube_tracks import cube_track, sample_places
from pipeline.calibrate.panels.band_groups import Reducer
from pipeline.calibrate.panels.readings import PanelWindow
from pipeline.calibrate.recording import Recording
from pipeline.config.flight import Config
from pipeline.config.panel import Region
from pipeline.config.sensor import Sensor
from pipeline.errors import CalibrationError, ConfigError
from pipeline.radiometry.angles import circular_mean, near
from pipeline.radiometry.geometry import metres_per_degree
from pipeline.radiometry.panels import matching
from pipeline.radiometry.panels.patches import LEAST_PIXELS, Patch, find_patches
from pipeline.read.regions import read_regions
from pipeline.read.registry import open_capture
from pipeline.read.tables import Track
from pipeline.records import Array, Capture, LineTimes, PanelReading, PanelReference

#: How far a track may be off [m]: that of a receiver without corrections.
TRACK_ERROR_M = 2.0
#: A patch's size over that of its polygon on the image.
SIZES_AGREE = (0.6, 1.5)
#: Panels of one strip share the track's error, to within this [m] or this share of their side.
APART_M, APART_SHARE = 0.25, 0.3
GIVE_WINDOW = "Give its window: where = { cube, lines, samples }"


@dataclass(frozen=True, eq=False)
class Predicted:
    """Where the track puts a polygon in a cube."""

    panel: str
    region: str
    cube: str
    lines: tuple[int, int]
    samples: tuple[int, int]
    centre: tuple[float, float]  # (line, sample)
    pixels: int
    line_m: float
    sample_m: float
    inside: bool  # clear of the cube's ends and sides even if the track is off

    def metres(self, patch: Patch) -> tuple[float, float]:
        """From the predicted centre to the patch's, along lines and samples [m]."""
        line, sample = patch.middle
        return (line - self.centre[0]) * self.line_m, (sample - self.centre[1]) * self.sample_m

    def covers(self, lines: tuple[int, int], samples: tuple[int, int]) -> bool:
        """Whether a window lies where the panel may be, the track's error allowed for."""
        spans = ((self.lines, lines, self.line_m), (self.samples, samples, self.sample_m))
        return all(
            own[0] - TRACK_ERROR_M / step_m < other[1]
            and other[0] < own[1] + TRACK_ERROR_M / step_m
            for own, other, step_m in spans
        )

    def fits_size(self, patch: Patch) -> bool:
        """Whether a patch is as large as the polygon should be."""
        return SIZES_AGREE[0] <= patch.pixels / self.pixels <= SIZES_AGREE[1]


def find_in_regions(
    config: Config,
    recording: Recording,
    references: Sequence[PanelReference],
    reducer: Reducer,
) -> list[PanelWindow]:
    """Windows of the panels that the config gives by region, one for each strip that sees one.

    Errors as `image_search.find_windows` has them.
    """
    polygons, track = _polygons(config), recording.track
    if track is None:
        raise ConfigError(
            "missing; a panel's region needs it", where=f"{config.path}: flight.track"
        )
    if config.sensor.ifov_mrad is None:
        raise ConfigError(
            "missing; a panel's region needs it", where=f"{config.path}: sensor.ifov_mrad"
        )
    windows: list[PanelWindow] = []
    failures: dict[str, list[str]] = {panel: [] for panel, _ in polygons}
    expected: set[str] = set()
    for capture in recording.cubes:
        times = recording.times[capture.name]
        predicted = _predicted(capture, track, times, config.sensor, polygons)
        if not predicted:
            continue
        patches = _patches_near(capture, predicted, reducer)
        found, missed = _matched(predicted, patches, references, reducer)
        windows += found
        for one, why in missed:
            failures[one.panel].append(f"{one.cube}: {why}")
            if one.inside:
                expected.add(one.panel)
    for panel, region in polygons:
        if panel in expected or not any(w.panel == panel for w in windows):
            seen = "; ".join(failures[panel]) or "no strip of the track sees it"
            raise CalibrationError(
                f"panel {panel}: nothing to take for it near region {region!r} ({seen})",
                do=GIVE_WINDOW,
            )
    return windows


def unconfirmed(
    config: Config, recording: Recording, readings: Sequence[PanelReading]
) -> list[Predicted]:
    """Passes over panels given by region that the track sees and no reading was taken from.

    `find_in_regions` leaves such a pass out where the panel may lie beyond the strip's ends or
    sides; whoever relies on it must be told.
    """
    by_region = any(isinstance(place, Region) for p in config.panel for place in p.where)
    sensor, track = config.sensor, recording.track
    if not by_region or track is None or sensor.ifov_mrad is None:
        return []
    polygons = _polygons(config)
    return [
        one
        for capture in recording.cubes
        for one in _predicted(capture, track, recording.times[capture.name], sensor, polygons)
        if not any(
            r.panel == one.panel and r.cube == one.cube and one.covers(r.lines, r.samples)
            for r in readings
        )
    ]


def _polygons(config: Config) -> dict[tuple[str, str], Polygon]:
    """Polygons asked for, by panel and region; ConfigError where they cannot be had."""
    asked = [
        (i, panel.name, place.region)
        for i, panel in enumerate(config.panel)
        for place in panel.where
        if isinstance(place, Region)
    ]
    if config.flight.regions is None:
        raise ConfigError(
            "missing; a panel's region needs it", where=f"{config.path}: flight.regions"
        )
    regions = read_regions(config.flight.regions)
    found: dict[tuple[str, str], Polygon] = {}
    for i, panel, name in asked:
        where = f"{config.path}: panel[{i}].where.region"
        if name not in regions:
            raise ConfigError(f"no region {name!r}; there are {', '.join(regions)}", where=where)
        shape = regions[name]
        if not isinstance(shape, Polygon):
            raise ConfigError(f"region {name!r} has several parts; expected one", where=where)
        found[panel, name] = shape
    return found


def _predicted(
    capture: Capture,
    track: Track,
    times: LineTimes,
    sensor: Sensor,
    polygons: Mapping[tuple[str, str], Polygon],
) -> list[Predicted]:
    """The polygons that a cube should see."""
    assert sensor.ifov_mrad is not None  # both callers have looked
    ground = sample_places(capture, cube_track(track, times), sensor, sensor.ifov_mrad)
    if not np.isfinite(ground.latitude).any() or capture.lines < 2:
        return []
    north_m, east_m = metres_per_degree(float(np.nanmedian(ground.latitude)))
    middle = circular_mean(ground.longitude)
    y, x = ground.latitude * float(north_m), near(ground.longitude, middle) * float(east_m)
    line_m = float(np.nanmedian(np.hypot(np.diff(y[:, 0]), np.diff(x[:, 0]))))
    sample_m = float(np.nanmedian(np.hypot(np.diff(y[0]), np.diff(x[0]))))
    if not (line_m > 0 and sample_m > 0):
        return []

    def in_metres(points: Array) -> Array:
        longitude = near(points[:, 0], middle)
        return np.column_stack([longitude * float(east_m), points[:, 1] * float(north_m)])

    found = []
    for (panel, region), polygon in polygons.items():
        outline = shapely.transform(polygon, in_metres)
        x0, y0, x1, y1 = outline.bounds
        rows = np.flatnonzero(((x >= x0) & (x <= x1) & (y >= y0) & (y <= y1)).any(axis=1))
        if not rows.size:
            continue
        a, b = int(rows[0]), int(rows[-1]) + 1
        mask = shapely.contains_xy(outline, x[a:b], y[a:b])
        pixels = int(mask.sum())
        if pixels < LEAST_PIXELS:
            continue
        line, sample = np.nonzero(mask)
        room_l, room_s = TRACK_ERROR_M / line_m, TRACK_ERROR_M / sample_m
        lines = (a + int(line.min()), a + int(line.max()) + 1)
        samples = (int(sample.min()), int(sample.max()) + 1)
        found.append(
            Predicted(
                panel=panel,
                region=region,
                cube=capture.name,
                lines=lines,
                samples=samples,
                centre=(a + float(line.mean()) + 0.5, float(sample.mean()) + 0.5),
                pixels=pixels,
                line_m=line_m,
                sample_m=sample_m,
                inside=bool(
                    lines[0] >= room_l
                    and lines[1] <= capture.lines - room_l
                    and samples[0] >= room_s
                    and samples[1] <= capture.samples - room_s
                ),
            )
        )
    return found


def _patches_near(
    capture: Capture, predicted: Sequence[Predicted], reducer: Reducer
) -> list[Patch]:
    """Patches on the lines where the panels may be."""
    spans = []
    for one in predicted:
        room = math.ceil(TRACK_ERROR_M / one.line_m) + 8
        spans.append((max(one.lines[0] - room, 0), min(one.lines[1] + room, capture.lines)))
    merged: list[tuple[int, int]] = []
    for a, b in sorted(spans):
        if merged and a <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(b, merged[-1][1]))
        else:
            merged.append((a, b))
    with open_capture(capture) as raw:
        return [patch for a, b in merged for patch in find_patches(reducer.read(raw, a, b))]


def _matched(
    predicted: Sequence[Predicted],
    patches: Sequence[Patch],
    references: Sequence[PanelReference],
    reducer: Reducer,
) -> tuple[list[PanelWindow], list[tuple[Predicted, str]]]:
    """Windows of one cube's panels, and those that could not be told, with what was seen.

    The track's error moves all panels of a strip alike, so that the patches must lie to each
    other as the polygons do. Where several shifts bring equally many panels onto patches, the
    certificates decide, and where they do not, nothing does.
    """
    choices = _choices(predicted, patches)
    most = max((sum(j is not None for j in c) for c in choices), default=0)
    best = [c for c in choices if sum(j is not None for j in c) == most]
    if most and len(best) > 1:
        best = _by_certificate(best, predicted, patches, references, reducer)
    if not most or len(best) > 1:
        why = [
            (one, _told(one, [p for p in patches if _near(one, p)], several=len(best) > 1))
            for one in predicted
        ]
        return [], why
    windows, missed = [], []
    for one, j in zip(predicted, best[0], strict=True):
        if j is None:
            missed.append((one, _told(one, [p for p in patches if _near(one, p)], several=False)))
        else:
            patch = patches[j]
            windows.append(
                PanelWindow(one.panel, one.cube, patch.core_lines, patch.core_samples, "region")
            )
    return windows, missed


def _near(one: Predicted, patch: Patch) -> bool:
    return math.hypot(*one.metres(patch)) <= TRACK_ERROR_M


def _choices(
    predicted: Sequence[Predicted], patches: Sequence[Patch]
) -> list[tuple[int | None, ...]]:
    """A patch or none for each panel, under every shift that brings some panel onto a patch."""
    found: dict[tuple[int | None, ...], None] = {}
    for one, patch in itertools.product(predicted, patches):
        if not (one.fits_size(patch) and _near(one, patch)):
            continue
        along, across = one.metres(patch)
        choice: list[int | None] = []
        for other in predicted:
            side_m = math.sqrt(other.pixels * other.line_m * other.sample_m)
            allowed = max(APART_M, APART_SHARE * side_m)
            away = [
                math.hypot(dl - along, ds - across) if other.fits_size(p) else math.inf
                for p in patches
                for dl, ds in [other.metres(p)]
            ]
            nearest = int(np.argmin(away))
            choice.append(nearest if away[nearest] <= allowed else None)
        taken = [j for j in choice if j is not None]
        if len(set(taken)) == len(taken):
            found[tuple(choice)] = None
    return list(found)


def _by_certificate(
    choices: Sequence[tuple[int | None, ...]],
    predicted: Sequence[Predicted],
    patches: Sequence[Patch],
    references: Sequence[PanelReference],
    reducer: Reducer,
) -> list[tuple[int | None, ...]]:
    """The one choice that agrees with the certificates, or all where they cannot tell."""
    by_name = {r.name: r for r in references}
    costs = []
    for choice in choices:
        rows = [(one, j) for one, j in zip(predicted, choice, strict=True) if j is not None]
        if len({one.panel for one, _ in rows}) < 2:
            return list(choices)
        reflectance, certificate = reducer.certificates([by_name[one.panel] for one, _ in rows])
        signal: Array = np.stack([patches[j].signal for _, j in rows])
        uncertainty = np.stack([patches[j].uncertainty for _, j in rows])
        offset = matching.offsets(reducer.wavelength_nm)
        made = matching.judge(signal, uncertainty, reflectance, certificate, offset)
        costs.append((made.cost, choice))
    costs.sort(key=lambda item: item[0])
    best = costs[0][0]
    if not math.isfinite(best):
        return list(choices)
    limit = matching.rival_limit(best)
    return [choice for cost, choice in costs if cost <= limit]


def _told(one: Predicted, near: Sequence[Patch], *, several: bool) -> str:
    """What was seen instead of a panel."""
    (a, b), (c, d) = one.lines, one.samples
    place = f"expected at lines {a} to {b} samples {c} to {d}, {one.pixels} pixels"
    if not near:
        return f"{place}; no uniform patch within {TRACK_ERROR_M:g} m"
    seen = ", ".join(
        f"lines {p.lines[0]} to {p.lines[1]} samples {p.samples[0]} to {p.samples[1]} "
        f"({p.pixels} pixels)"
        for p in near[:4]
    )
    kind = "equally plausible" if several else "of another size or out of place"
    return f"{place}; uniform patches {kind}: {seen}"
