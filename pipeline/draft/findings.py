"""What lies in a folder: captures, tables, polygons, and how headers and clocks are to be read."""

from __future__ import annotations

import math
import os
import statistics
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.config.sensor import Sensor
from pipeline.draft.captures import Captures, Seen, find_captures
from pipeline.draft.clocks import Clock, settle_clocks
from pipeline.draft.header_words import HeaderWords, header_words, time_forms
from pipeline.draft.tables import Kind, Table, Times, read_text, times_of, what_is
from pipeline.errors import InputError, ReflectoryError
from pipeline.read.manifest import read_manifest
from pipeline.read.regions import read_regions
from pipeline.read.settings import settings_of
from pipeline.records import Settings
from pipeline.write.checksums import CHECKSUMS
from pipeline.write.run_record import RUN_JSON

#: Files beyond this are no flight's folder.
MOST_FILES = 20_000
_TABLES = {".csv", ".txt", ".tsv", ".log", ".dat", ".asc", ".pos", ""}
_REGIONS = {".kml", ".geojson", ".json"}
#: How headers' times are called in messages.
HEADERS = "the headers"


@dataclass(frozen=True, eq=False)
class Findings:
    """All that was found in a folder."""

    folder: Path
    captures: Captures
    words: HeaderWords
    clocks: Mapping[str, Clock]  # by the table's file name, and HEADERS
    tables: Mapping[Kind, tuple[Table, ...]]
    regions: Path | None
    survey: str  # largest polygon's name
    manifest: Path | None
    undecided: tuple[str, ...]


def find(folder: Path, latest_s: float) -> Findings:
    """Look through a folder.

    Parameters
    ----------
    latest_s : no flight is later than this, since 1970

    Raises InputError where it holds no capture, or far too many files.
    """
    files = list(_files(folder))
    captures = find_captures(folder, files)
    every = (*captures.strips, *captures.darks, *captures.flats)
    stems = [one.capture.name for one in every]
    data = {f for one in every for f in (*one.capture.files, one.capture.header)}
    tables: dict[Kind, list[Table]] = {}
    for path in files:
        if path not in data and path.suffix.lower() in _TABLES:
            text = read_text(path)
            table = what_is(text, stems, latest_s) if text is not None else None
            if table is not None:
                tables.setdefault(table.kind, []).append(table)
    step_ms = 1e3 * _middle(t.step_s for t in tables.get("line_times", ()))
    words = header_words([one.words for one in every], step_ms, latest_s)
    clocks = settle_clocks(_times(words, every, tables, latest_s))
    captures, undecided = _alike(_in_time(captures, words, clocks), words)
    regions, survey = _regions(files)
    return Findings(
        folder=folder,
        captures=captures,
        words=words,
        clocks=clocks,
        tables={kind: tuple(found) for kind, found in tables.items()},
        regions=regions,
        survey=survey,
        manifest=_manifest(files),
        undecided=(
            *words.undecided,
            *(c.undecided for c in clocks.values() if c.undecided),
            *undecided,
            *(
                f"{path.name} cannot be used: {why}. Copy it again, or go without it"
                for path, why in captures.broken
            ),
        ),
    )


def _files(folder: Path) -> Iterator[Path]:
    """Regular files of a folder and below, but hidden ones and those of finished runs."""
    number = 0
    for place, below, names in os.walk(folder):
        if RUN_JSON in names and CHECKSUMS in names:
            below.clear()
            continue
        below[:] = sorted(b for b in below if not b.startswith("."))
        for name in sorted(names):
            path = Path(place, name)
            if not name.startswith(".") and path.is_file():
                number += 1
                if number > MOST_FILES:
                    raise InputError(
                        f"more than {MOST_FILES} files", where=folder, do="Name one flight's folder"
                    )
                yield path


def _middle(values: Iterator[float] | Sequence[float]) -> float:
    known = [v for v in values if math.isfinite(v)]
    return statistics.median(known) if known else math.nan


def _times(
    words: HeaderWords,
    every: Sequence[Seen],
    tables: Mapping[Kind, Sequence[Table]],
    latest_s: float,
) -> dict[str, Times]:
    """Every source of times; the line times of all captures are one."""
    found: dict[str, Times] = {}
    start = words.keys.get("acquisition start")
    if start is not None:
        cells = [str(one.words[start.key]).strip() for one in every if start.key in one.words]
        found[HEADERS] = times_of(cells, time_forms(cells, latest_s))
    for kind, some in tables.items():
        timed = [t for t in some if t.times is not None]
        if kind == "line_times" and timed:
            found[kind] = _together([t.times for t in timed if t.times is not None])
        elif kind != "line_times":
            found |= {t.path.name: t.times for t in timed if t.times is not None}
    return found


def _together(times: Sequence[Times]) -> Times:
    shared = [f for f in times[0].spans_s if all(f in t.spans_s for t in times)]
    spans = {
        f: (min(t.spans_s[f][0] for t in times), max(t.spans_s[f][1] for t in times))
        for f in shared
    }
    return Times(spans or times[0].spans_s, all(t.zoned for t in times))


def settings_with(one: Seen, words: HeaderWords, clocks: Mapping[str, Clock]) -> Settings:
    """A capture's settings by the words that were found."""
    sensor = Sensor.model_validate({"header_keys": header_keys(words, clocks)})
    return settings_of(one.words, sensor, one.capture.header)


def header_keys(words: HeaderWords, clocks: Mapping[str, Clock]) -> dict[str, object]:
    """`[sensor.header_keys]` of the words that were found."""
    made: dict[str, object] = {}
    for setting, key in words.keys.items():
        named = {"key": key.key} | ({"unit": key.unit} if key.unit else {})
        if setting == "acquisition start" and HEADERS in clocks:
            clock = clocks[HEADERS]
            named |= {"unit": clock.form} if clock.form != "iso" else {}
            named |= {"zone": clock.zone} if clock.zone else {}
        made[setting] = named if len(named) > 1 else key.key
    return made


def _in_time(captures: Captures, words: HeaderWords, clocks: Mapping[str, Clock]) -> Captures:
    """The captures in order of their starts, where all have one; else of their names."""

    def sorted_by_start(some: tuple[Seen, ...]) -> tuple[Seen, ...]:
        try:
            starts = [settings_with(one, words, clocks).start_s for one in some]
        except ReflectoryError:
            return some
        if not all(map(math.isfinite, starts)):
            return some
        return tuple(one for _, one in sorted(zip(starts, some, strict=True), key=lambda p: p[0]))

    return replace(
        captures, strips=sorted_by_start(captures.strips), darks=sorted_by_start(captures.darks)
    )


def _alike(captures: Captures, words: HeaderWords) -> tuple[Captures, tuple[str, ...]]:
    """The captures whose settings are those of most strips; the others are left out and named."""

    def stated(one: Seen) -> tuple[str, ...]:
        keys = [words.keys[s].key for s in _COMPARED if s in words.keys]
        return tuple(str(one.words.get(key, "")).strip() for key in keys)

    if not captures.strips:
        return captures, ("flight.cubes: no capture has a scene",)
    usual = Counter(map(stated, captures.strips)).most_common(1)[0][0]
    kept: dict[str, tuple[Seen, ...]] = {}
    left_out = list(captures.left_out)
    for name in ("strips", "darks", "flats"):
        some: tuple[Seen, ...] = getattr(captures, name)
        kept[name] = tuple(one for one in some if stated(one) == usual)
        left_out += [
            (one.capture.header, f"its settings {', '.join(stated(one))} are not those of most "
             f"strips, {', '.join(usual)}")
            for one in some if stated(one) != usual
        ]  # fmt: skip
    undecided = () if kept["darks"] else (
        "flight.darks: no capture without light has the strips' settings",
    )  # fmt: skip
    made = replace(
        captures,
        strips=kept["strips"],
        darks=kept["darks"],
        flats=kept["flats"],
        left_out=tuple(left_out),
    )
    return made, undecided


#: Settings that dark, flat and strips share.
_COMPARED = ("exposure time", "frame period", "gain")


def _regions(files: Sequence[Path]) -> tuple[Path | None, str]:
    """The file of polygons, and the name of the largest."""
    for path in files:
        if path.suffix.lower() in _REGIONS:
            try:
                polygons = read_regions(path)
            except ReflectoryError:
                continue
            return path, max(polygons, key=lambda name: polygons[name].area)
    return None, ""


def _manifest(files: Sequence[Path]) -> Path | None:
    for path in files:
        if path.suffix.lower() in (".sha256", ".sha256sum"):
            try:
                read_manifest(path)
            except ReflectoryError:
                continue
            return path
    return None
