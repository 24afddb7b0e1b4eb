"""Panels that the config gives by polygon or leaves to be searched for."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from pipeline.calibrate.panels.band_groups import Reducer
from pipeline.calibrate.panels.readings import PanelWindow, windows_in_config
from pipeline.calibrate.panels.region_search import find_in_regions
from pipeline.calibrate.panels.small_polygons import (
    PolygonsOf,
    all_in_one,
    no_polygons,
    small_polygons,
)
from pipeline.calibrate.recording import Recording
from pipeline.calibrate.scene_sample import SignalOf
from pipeline.config.flight import Config
from pipeline.config.panel import Region
from pipeline.errors import CalibrationError
from pipeline.radiometry.panels import arrangement, matching
from pipeline.radiometry.panels.patches import GroupImage, Patch, find_patches, row_chunks
from pipeline.read.registry import open_capture
from pipeline.records import Array, Capture, Mask, PanelReference

#: Strips of more lines than this are searched in every second line.
ALL_LINES_UP_TO = 1000
#: Rows of the search image at a time, and how far they overlap: more than a panel.
CHUNK_ROWS, CHUNK_OVERLAP = 1024, 192
#: Strips searched at a time; each holds one search image.
WORKERS = 2
#: Lines around a patch that are read again, all of them, to see its edges.
ROOM_LINES = 24
GIVE_WINDOWS = "Give their windows: where = { cube, lines, samples }"


class UnclearPanelsError(CalibrationError):
    """Panels could not be told on the images; the patches that may be panels are `candidates`."""

    candidates: tuple[Seen, ...] = ()


@dataclass(frozen=True, eq=False)
class Seen:
    """A patch in a cube."""

    cube: str
    patch: Patch

    def __str__(self) -> str:
        (a, b), (c, d) = self.patch.core_lines, self.patch.core_samples
        return f"{self.cube} lines {a} to {b} samples {c} to {d}"


def find_windows(
    config: Config,
    recording: Recording,
    references: Sequence[PanelReference],
    signal_of: SignalOf,
    bad: Mask,
) -> list[PanelWindow]:
    """Core windows of the panels whose `where` holds a region or is "search".

    Parameters
    ----------
    recording : cubes alike in shape and bands, with times and track
    references : certificates over the bands, for every panel of the config
    signal_of : (capture, line indices, counts) to signal, (line, band, sample) [count]
    bad : (band, sample) elements that do not measure

    Returns
    -------
    Windows clear of the panels' edges, one for each panel and pass, in order of the config, with
    `how` "region" or "search"; empty where neither is asked for.

    Raises
    ------
    ConfigError
        A region is asked for without track, regions file or IFOV, or is not in the file.
    CalibrationError
        A panel is not there, or more than one patch may be it. Nothing is ever guessed.
    """
    wanted = [p.name for p in config.panel if p.where == ("search",)]
    by_region = any(isinstance(place, Region) for p in config.panel for place in p.where)
    if not (wanted or by_region):
        return []
    cubes, saturation = recording.cubes, config.sensor.saturation_counts
    reducer = Reducer.of(cubes[0], references, signal_of, bad, saturation)
    known = windows_in_config(config, recording.by_name)
    found: list[PanelWindow] = []
    if by_region:
        found = find_in_regions(config, recording, references, reducer)
    if wanted:
        names = list(dict.fromkeys(wanted))
        known = [w for w in known + found if w.panel not in names]
        polygons = small_polygons(config, recording)
        found = found + search(names, cubes, references, reducer, known, polygons)
    panels = [panel.name for panel in config.panel]
    strips = [capture.name for capture in cubes]
    return sorted(found, key=lambda w: (panels.index(w.panel), strips.index(w.cube), w.lines))


def search(
    names: Sequence[str],
    cubes: Sequence[Capture],
    references: Sequence[PanelReference],
    reducer: Reducer,
    known: Sequence[PanelWindow],
    polygons_of: PolygonsOf = no_polygons,
) -> list[PanelWindow]:
    """Windows of the named panels, found on the images, with polygons where there are any.

    `known` are windows of other panels: they serve for comparison, and no patch there is taken.
    A strip that shows all the named panels, and agrees with the certificates nearly as well as the
    best, is a pass; where none does, they are sought over all strips together. Of choices that
    agree nearly equally the only one that is laid out as people lay out panels is taken: within
    one small polygon, or in a row. Raises CalibrationError as `find_windows`.
    """
    by_name = {r.name: r for r in references}
    anchors = _anchors(known, cubes, reducer)
    panels = [by_name[name] for name in (*names, *anchors)]
    with ThreadPoolExecutor(WORKERS) as pool:
        seen = list(pool.map(lambda c: _candidates(c, reducer, known), cubes))
    everything = [patch for cube in seen for patch in cube]
    if len(everything) < len(names):
        raise _refused(names, everything, "fewer than the panels")

    task = _Matching(reducer, panels, len(names), list(anchors.values()))
    passes = [
        (sets, cube) for cube in seen if len(cube) >= len(names) and (sets := task.sets(cube))
    ]
    if len(names) == 1 and not anchors and passes:
        passes = []  # one patch of all the strips' must be the only one
    if not passes:
        sets = task.sets(everything)
        if not sets:
            raise _refused(
                names, everything, "no choice of them has signals that agree with the certificates"
            )
        passes = [(sets, everything)]
    best = min((sets[0] for sets, _ in passes), key=lambda s: s.cost)
    windows = []
    for sets, patches in passes:
        if sets[0].cost > matching.rival_limit(best.cost):
            continue
        chosen = _clear_choice(task, names, sets, patches, polygons_of)
        if not matching.same_light(best.white, chosen.white):
            raise _refused(
                names,
                everything,
                "sets in two strips agree with the certificates, but not in colour",
            )
        for name, choice in zip(names, chosen.choice, strict=False):
            windows.append(_refined(name, patches[choice], cubes, reducer))
    return windows


@dataclass(frozen=True, eq=False)
class _Matching:
    """Panels to be matched: the wanted ones, then the known."""

    reducer: Reducer
    panels: Sequence[PanelReference]
    wanted: int
    anchors: Sequence[tuple[Array, Array]]  # signal and uncertainty, (group,)

    def sets(self, patches: Sequence[Seen]) -> list[matching.PanelSet]:
        """Choices that agree with the certificates, best first; choices index the patches."""
        signal = [s.patch.signal for s in patches] + [a for a, _ in self.anchors]
        uncertainty = [s.patch.uncertainty for s in patches] + [u for _, u in self.anchors]
        allowed = np.zeros((len(self.panels), len(signal)), np.bool_)
        allowed[: self.wanted, : len(patches)] = True
        for i in range(len(self.anchors)):
            allowed[self.wanted + i, len(patches) + i] = True
        reflectance, certificate = self.reducer.certificates(self.panels)
        return matching.consistent_sets(
            np.stack(signal),
            np.stack(uncertainty),
            reflectance,
            certificate,
            matching.offsets(self.reducer.wavelength_nm),
            allowed,
        )


def _anchors(
    known: Sequence[PanelWindow], cubes: Sequence[Capture], reducer: Reducer
) -> dict[str, tuple[Array, Array]]:
    """Signal and uncertainty, (group,), of each panel's first known window."""
    by_name = {c.name: c for c in cubes}
    found: dict[str, tuple[Array, Array]] = {}
    for window in known:
        if window.panel in found:
            continue
        with open_capture(by_name[window.cube]) as raw:
            image = reducer.read(raw, *window.lines)
        part = (slice(None), slice(None), slice(*window.samples))
        first, second = image.first[part], image.second[part]
        noise = ((first - second) / 2).std(axis=(1, 2), dtype=np.float64)
        signal = ((first + second) / 2).mean(axis=(1, 2), dtype=np.float64)
        signal[image.saturated[part].mean(axis=(1, 2)) > 0.01] = np.nan
        found[window.panel] = (signal, noise / np.sqrt(first[0].size))
    return found


def _candidates(capture: Capture, reducer: Reducer, known: Sequence[PanelWindow]) -> list[Seen]:
    """Patches of a cube, save those on known windows."""
    step = 1 if capture.lines <= ALL_LINES_UP_TO else 2
    rows = -(-capture.lines // step)
    found: list[Patch] = []
    with open_capture(capture) as raw:
        for a, b in row_chunks(rows, CHUNK_ROWS, CHUNK_OVERLAP):
            image = reducer.read(raw, a * step, min(b * step, capture.lines), step)
            for patch in find_patches(image):
                # One cut by a chunk's end is whole in the next, and seen first there or here.
                cut = (a > 0 and patch.lines[0] <= a * step) or (
                    b < rows and patch.lines[1] >= (b - 1) * step
                )
                if not cut and not any(patch.overlaps(other) for other in found):
                    found.append(patch)
    taken = [w for w in known if w.cube == capture.name]
    return [
        Seen(capture.name, patch)
        for patch in found
        if not any(
            patch.lines[0] < w.lines[1]
            and w.lines[0] < patch.lines[1]
            and patch.samples[0] < w.samples[1]
            and w.samples[0] < patch.samples[1]
            for w in taken
        )
    ]


def _clear_choice(
    task: _Matching,
    names: Sequence[str],
    sets: Sequence[matching.PanelSet],
    patches: Sequence[Seen],
    polygons_of: PolygonsOf,
) -> matching.PanelSet:
    """The first set, or of several that fit nearly equally the one that is laid out by hand.

    CalibrationError where that leaves more than one, or none.
    """
    near = [sets[0], *matching.rivals(sets)]
    if len(near) == 1:
        return sets[0]
    for laid_out in (
        [one for one in near if _in_one_polygon(one, len(names), patches, polygons_of)],
        [one for one in near if _in_a_row(task, one, patches)],
    ):
        if len(laid_out) == 1:
            return laid_out[0]
    best, other = near[0].choice, near[1].choice
    said = [
        f"{name} may be {patches[i]} or {patches[j]}"
        for name, i, j in zip(names, best, other, strict=False)
        if i != j
    ]
    raise _refused(names, patches, f"{len(near)} choices fit nearly equally: {'; '.join(said)}")


def _in_one_polygon(
    one: matching.PanelSet, wanted: int, patches: Sequence[Seen], polygons_of: PolygonsOf
) -> bool:
    return all_in_one([polygons_of(patches[i].cube, patches[i].patch) for i in one.choice[:wanted]])


def _in_a_row(task: _Matching, one: matching.PanelSet, patches: Sequence[Seen]) -> bool:
    """Whether a set's patches are a row of one strip, which goes on at neither end."""
    chosen = [patches[i] for i in one.choice[: task.wanted]]
    if len({seen.cube for seen in chosen}) > 1:
        return False
    brightness = np.nanmean(task.reducer.certificates(task.panels)[0], axis=1)[: task.wanted]
    middles = np.array([seen.patch.middle for seen in chosen])
    pixels = np.array([seen.patch.pixels for seen in chosen], np.float64)
    if not arrangement.is_row(middles, pixels, brightness):
        return False
    taken = set(one.choice)
    others = [s.patch for i, s in enumerate(patches) if s.cube == chosen[0].cube and i not in taken]
    return not arrangement.goes_on(
        middles[np.argsort(brightness)],
        np.array([patch.middle for patch in others]).reshape(-1, 2),
        pixels,
        np.array([patch.pixels for patch in others], np.float64),
    )


def _refined(name: str, seen: Seen, cubes: Sequence[Capture], reducer: Reducer) -> PanelWindow:
    """The window of a patch, its edges seen on every line."""
    capture = next(c for c in cubes if c.name == seen.cube)
    patch = seen.patch
    if capture.lines > ALL_LINES_UP_TO:
        start = max(patch.lines[0] - ROOM_LINES, 0)
        stop = min(patch.lines[1] + ROOM_LINES, capture.lines)
        with open_capture(capture) as raw:
            image: GroupImage = reducer.read(raw, start, stop)
        close = [p for p in find_patches(image) if p.overlaps(patch) and _alike(p, patch)]
        if len(close) != 1:
            raise _refused([name], [seen], "its edges are not clear when all lines are read")
        patch = close[0]
    return PanelWindow(name, seen.cube, patch.core_lines, patch.core_samples, "search")


def _alike(one: Patch, other: Patch) -> bool:
    ratio = one.signal / other.signal
    ratio = ratio[np.isfinite(ratio)]
    return bool(ratio.size and abs(np.median(ratio) - 1) < 0.03)


def _refused(names: Sequence[str], patches: Sequence[Seen], why: str) -> CalibrationError:
    places = "; ".join(str(s) for s in patches[:6])
    more = f" and {len(patches) - 6} more" if len(patches) > 6 else ""
    count = f"{len(patches)} uniform patch{'' if len(patches) == 1 else 'es'}"
    error = UnclearPanelsError(
        f"search for {', '.join(names)}: {count} found ({places or 'none'}{more}), {why}",
        do=GIVE_WINDOWS,
    )
    error.candidates = tuple(patches)
    return error
