"""From what was found in a folder to the lines of its config."""

from __future__ import annotations

import glob
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath

from pipeline.config.model import safe_name
from pipeline.draft.captures import Seen
from pipeline.draft.clocks import Clock
from pipeline.draft.config_text import Section
from pipeline.draft.findings import HEADERS, Findings, header_keys
from pipeline.draft.tables import Table

#: Bits of the converters of cameras, and the share of full scale that is saturation by default.
_BITS = (8, 10, 12, 14, 16)
_SATURATION = 4000 / 4095
#: Samples at the largest count that make a pile: a detector that saturates, not a bright sample.
_PILE = 20


@dataclass(frozen=True)
class PanelPlace:
    """Where a panel's passes are, as the config says it, and what that was concluded from."""

    where: object
    why: str


@dataclass(frozen=True, eq=False)
class Composed:
    """The sections of a config, and what could not be decided on the way."""

    sections: tuple[Section, ...]
    panels: Mapping[str, Table]  # by name
    undecided: tuple[str, ...]


def panel_names(certificates: Sequence[Table]) -> dict[str, Table]:
    """The certificates by the names of their panels, which are the files'; darkest first."""
    found: dict[str, Table] = {}
    for table in sorted(certificates, key=lambda t: t.level):
        name = safe_name(table.path.stem)
        found[name if name not in found else f"{name}-{len(found)}"] = table
    return found


def compose(
    found: Findings,
    places: Mapping[str, PanelPlace],
    *,
    response: str = "",
    illumination: tuple[str, str] | None = None,
    saturation_counts: float = math.nan,
) -> Composed:
    """The config of a folder.

    Parameters
    ----------
    places : by panel; one that is not there is searched for
    response : "scene" where a falloff shows; else what the config's default is
    illumination : what follows the light, and why, where the folder's tables do not say it
    saturation_counts : where counts pile up, if they do
    """
    undecided: list[str] = list(found.undecided)
    flight = Section("[flight]")
    folder = _raw_folder(found)
    _add_captures(flight, found, folder)
    _add_tables(flight, found, folder, undecided)
    sensor = _sensor(found, saturation_counts)
    keys = Section("[sensor.header_keys]")
    for setting, value in header_keys(found.words, found.clocks).items():
        clock = found.clocks.get(HEADERS) if setting == "acquisition start" else None
        keys.add(setting, value, (clock and clock.why) or found.words.keys[setting].why)
    panels = panel_names(found.tables.get("certificate", ()))
    if not panels:
        undecided.append("panel: no table of wavelengths and reflectances is here")
    of_panels = []
    for name, table in panels.items():
        section = Section("[[panel]]")
        section.add("name", name)
        section.add(
            "certificate", _relative(table.path, found.folder), f"reflects {table.level:.3g}"
        )
        place = places.get(name)
        if table.k != 2:
            section.add("coverage_factor", table.k, "the column's name says so")
        section.add("where", place.where if place else "search", place.why if place else "")
        of_panels.append(section)
    sections = (
        flight,
        sensor,
        keys,
        *_table_sections(found, undecided),
        *of_panels,
        _calibration(found, response, illumination),
    )
    return Composed(sections, panels, tuple(dict.fromkeys(undecided)))


def _relative(path: Path, folder: Path) -> str:
    return PurePath(os.path.relpath(path, folder)).as_posix()


def _raw_folder(found: Findings) -> Path:
    """The folder that holds all captures."""
    every = (*found.captures.strips, *found.captures.darks, *found.captures.flats)
    return Path(os.path.commonpath([one.capture.header.parent for one in every]))


def _add_captures(flight: Section, found: Findings, folder: Path) -> None:
    def names(some: Sequence[Seen]) -> list[str]:
        return [glob.escape(_relative(one.capture.header, folder)) for one in some]

    captures = found.captures
    flight.add("name", safe_name(found.folder.absolute().name), "the folder's")
    if folder != found.folder:
        flight.add("folder", _relative(folder, found.folder), "where the captures lie")
    starts = "acquisition start" in found.words.keys
    flight.add(
        "cubes",
        names(captures.strips),
        f"lit, and their lines change; in order of their {'starts' if starts else 'names'}",
    )
    flight.add("darks", names(captures.darks), "without light: no spectrum, noise alone")
    if captures.flats:
        flight.add("flat", names(captures.flats)[0], "lit, and its lines differ by noise alone")


def _add_tables(flight: Section, found: Findings, folder: Path, undecided: list[str]) -> None:
    template = _line_times_template(found, folder)
    if template:
        flight.add("line_times", template, "as many rows as lines, times that increase")
    for kind, key, why in (
        ("track", "track", "latitude and longitude over time"),
        ("irradiance", "irradiance", "a time and positive numbers"),
    ):
        some = found.tables.get(kind, ())  # type: ignore[call-overload]
        if len(some) > 1:
            names = ", ".join(t.path.name for t in some)
            undecided.append(f"flight.{key}: which of {names}")
        elif some:
            flight.add(key, _relative(some[0].path, found.folder), why)
    if found.regions is not None:
        flight.add("regions", _relative(found.regions, found.folder), "named polygons")
        if found.survey != "survey":
            flight.add("survey", found.survey, "the largest polygon")
    if found.manifest is not None and found.manifest.name != "manifest.sha256":
        flight.add("manifest", _relative(found.manifest, found.folder), "a list of digests")


def _line_times_template(found: Findings, folder: Path) -> str:
    stems = [one.capture.name for one in (*found.captures.strips, *found.captures.darks)]
    for table in found.tables.get("line_times", ()):
        # The longest stem in the name: strip-1 is also in strip-10's.
        own = [stem for stem in stems if stem in table.path.name]
        if own:
            name = table.path.name.replace(max(own, key=len), "{stem}")
            return _relative(table.path.with_name(name), folder)
    return ""


def _sensor(found: Findings, saturation_counts: float) -> Section:
    section = Section("[sensor]")
    every = (*found.captures.strips, *found.captures.flats)
    most = max(one.most_counts for one in every)
    piled = sum(one.at_most for one in every if one.most_counts == most) >= _PILE
    bits = next(b for b in (*_BITS, 32) if most <= 2**b - 1)
    full = 2**bits - 1
    section.add("full_scale_counts", full, f"the largest count seen is {most:g}: {bits} bits")
    if math.isfinite(saturation_counts):
        section.add("saturation_counts", saturation_counts, "where counts pile up")
    elif piled and most < full:
        section.add("saturation_counts", int(most), "where counts pile up")
    else:
        section.add("saturation_counts", round(full * _SATURATION), "the usual share of full scale")
    return section


def worth_adding(found: Findings) -> list[str]:
    """What no file tells, and what it would be good for."""
    tracks = found.tables.get("track", ())
    if not tracks:
        return []
    lines = ["worth adding: sensor.ifov_mrad, for positions, coverage, the map and regions"]
    if tracks[0].above_sea:
        column = tracks[0].columns.get("height_m", "height_m")
        lines.append(
            f"worth adding: tables.track.ground_m, the height of the ground: by its name {column} "
            f"of {tracks[0].path.name} is above the sea, and positions need it above the ground"
        )
    return lines


def _table_sections(found: Findings, undecided: list[str]) -> list[Section]:
    sections = []
    for kind in ("line_times", "track", "irradiance", "certificate"):
        some = found.tables.get(kind, ())
        if not some:
            continue
        section = Section(f"[tables.{kind}]")
        ways = {(tuple(sorted(t.columns.items())), t.scale, t.angle) for t in some}
        if len(ways) > 1:
            names = ", ".join(t.path.name for t in some)
            undecided.append(f"tables.{kind}: {names} are not written alike; make them so")
        table = some[0]
        undecided += table.undecided
        if table.columns:
            section.add("columns", dict(table.columns), "by their names and values")
        if table.times is not None:
            clock = found.clocks[kind if kind == "line_times" else table.path.name]
            _add_clock(section, clock)
        if table.angle != "deg":
            section.add("angle", table.angle, "no angle is beyond 6.3")
        if table.scale != 1:
            section.add("scale", table.scale, "values are percents")
        sections.append(section)
    return sections


def _add_clock(section: Section, clock: Clock) -> None:
    if clock.form != "iso":
        section.add("time", clock.form, clock.why or "numbers that are times of a flight so")
    elif clock.zone:
        section.add("zone", clock.zone, clock.why)


def _calibration(found: Findings, response: str, illumination: tuple[str, str] | None) -> Section:
    section = Section("[calibration]")
    if found.tables.get("irradiance"):
        section.add("illumination", "irradiance log", "there is one")
    elif illumination is not None:
        section.add("illumination", *illumination)
    else:
        section.add("illumination", "constant", "nothing here follows the light")
    if response and not found.captures.flats:
        section.add("response", response, "the scene shows a falloff, and there is no flat")
    return section
