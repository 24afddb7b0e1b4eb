"""`draft`: from a folder off the card to a config that can be run."""

from __future__ import annotations

import math
import time
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.assess.flight_checks import before_cubes
from pipeline.calibrate.light import follow_light
from pipeline.calibrate.panels.image_search import Seen, UnclearPanelsError
from pipeline.calibrate.panels.readings import references
from pipeline.calibrate.prepare import Preparation, prepare
from pipeline.calibrate.recording import Recording
from pipeline.config.flight import config_from_table
from pipeline.draft.captures import Captures
from pipeline.draft.compose import Composed, PanelPlace, compose, worth_adding
from pipeline.draft.config_text import config_text
from pipeline.draft.findings import Findings, find
from pipeline.draft.glance import Glance, glances
from pipeline.draft.look import candidates_of, outlines_of
from pipeline.draft.look_page import LookData, PanelChoice, write_look
from pipeline.draft.mount import samples_run
from pipeline.errors import CalibrationError, ConfigError, InputError, ReflectoryError
from pipeline.progress.protocol import Progress, Silent
from pipeline.records import PanelReading
from pipeline.write.small_file import write_text

#: Name of the config that is written.
CONFIG = "flight.toml"
HEAD = (
    "Drafted from what lies in this folder. Each line says what it was concluded from;",
    "what a config may hold besides: configs/README.md of reflectory.",
)


@dataclass(frozen=True, eq=False)
class Draft:
    """A config that was drafted."""

    path: Path
    text: str
    captures: Captures
    readings: tuple[PanelReading, ...]  # passes over panels that were found
    undecided: tuple[str, ...]  # to be decided before it can be run
    page: Path  # to look at

    @property
    def exit_code(self) -> int:
        """0 where the config can be run as it is, 1 where something must be decided first."""
        return 1 if self.undecided else 0

    @property
    def told(self) -> list[str]:
        """What a person is told in the end, what must be decided last."""
        found = self.captures
        flat = f", {_number(len(found.flats), 'flat')}" if found.flats else ""
        panels = len({reading.panel for reading in self.readings})
        lines = [f"left out: {path.name}: {why}" for path, why in found.left_out]
        lines.append(
            f"{_number(len(found.strips), 'strip')}, {_number(len(found.darks), 'dark')}{flat}, "
            f"{_number(panels, 'panel')} found on the images"
        )
        lines += [f"written: {self.path}", f"look at: {self.page}"]
        lines += [f"to decide: {what}" for what in self.undecided]
        if not self.undecided:
            lines.append(f"It can be run as it is: reflectory run {self.path}")
        return lines


def _number(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def draft(folder: Path, *, progress: Progress | None = None) -> Draft:
    """Look through a folder, and write its config there.

    Raises
    ------
    ConfigError
        There is one already.
    InputError
        There is no such folder, or no capture in it.
    OutputError
        It cannot be written.
    """
    path = folder / CONFIG
    if not folder.is_dir():
        raise InputError("no such folder", where=folder)
    if path.exists():
        raise ConfigError(
            "is there already, and a draft never replaces one",
            where=path,
            do="Use it, or move it away",
        )
    # A day, for a clock in another zone.
    found = find(folder, time.time() + 86_400)
    drawn = _with_panels(found, path, progress or Silent())
    seen = glances(
        [one.capture for one in found.captures.strips],
        _saturation_counts(drawn.composed),
    )
    _add_mount(drawn, seen)
    undecided = drawn.undecided
    head = [*HEAD, *_left_out(found), *worth_adding(found), *_open(undecided)]
    text = config_text(head, drawn.composed.sections)
    write_text(path, text)
    page = path.with_suffix(".html")
    write_look(page, _look(found, drawn, text, seen))
    return Draft(path, text, found.captures, drawn.readings, undecided, page)


@dataclass(frozen=True, eq=False)
class _Drawn:
    """A config in the making."""

    composed: Composed
    undecided: tuple[str, ...]
    readings: tuple[PanelReading, ...] = ()
    candidates: tuple[Seen, ...] = ()
    recording: Recording | None = None  # None where it could not be read as a flight


def _saturation_counts(composed: Composed) -> float:
    table = tomllib.loads(config_text((), composed.sections))
    return float(table["sensor"]["saturation_counts"])


def _add_mount(drawn: _Drawn, seen: Sequence[Glance]) -> None:
    """Say so where the first sample lies to the right; left is what a config has by itself."""
    if drawn.recording is None or drawn.recording.track is None:
        return
    side, left, right = samples_run(seen, drawn.recording.times, drawn.recording.track)
    if side == "right":
        (sensor,) = (one for one in drawn.composed.sections if one.name == "[sensor]")
        sensor.add(
            "first_sample",
            side,
            "where neighbouring strips saw the same ground, their counts correlate by "
            f"{right:.2f} so, and by {left:.2f} with the first sample to the left",
        )


def _look(found: Findings, drawn: _Drawn, text: str, seen: Sequence[Glance]) -> LookData:
    """The page to look at."""
    sure = not drawn.undecided
    table = tomllib.loads(text)
    return LookData(
        flight=found.folder.absolute().name,
        says="The config can be run as it is. Look whether the outlines lie on the panels."
        if sure
        else "Something must be decided before the config can be run.",
        certain=sure,
        glances=seen,
        outlines=[*outlines_of(drawn.readings), *candidates_of(drawn.candidates)],
        panels=[PanelChoice(p["name"], p["certificate"]) for p in table.get("panel", ())],
        config_name=CONFIG,
        config=text,
        to_decide=drawn.undecided,
    )


def _left_out(found: Findings) -> list[str]:
    return [
        f"left out: {path.relative_to(found.folder)}: {why}"
        for path, why in found.captures.left_out
    ]


def _open(undecided: tuple[str, ...]) -> list[str]:
    return [f"TO DECIDE: {what}" for what in undecided]


def _with_panels(found: Findings, path: Path, progress: Progress) -> _Drawn:
    """The config with its panels where they are on the images, if they are certain."""
    made = compose(found, {})
    if not (made.panels and found.captures.strips and found.captures.darks):
        return _Drawn(made, made.undecided)
    try:
        prepared = _prepared(made, path, progress)
    except UnclearPanelsError as error:
        undecided = (*made.undecided, f"panel: {error}")
        return _Drawn(made, undecided, candidates=error.candidates)
    except ReflectoryError as error:
        return _Drawn(made, (*made.undecided, str(error)))
    places = _places(prepared.measured.readings)
    rows = {row.check: row for row in before_cubes(prepared)}
    piles = [p.at for p in prepared.measured.panel_piles.values() if p is not None and p.at]
    made = compose(
        found,
        places,
        response="scene" if rows["falloff"].verdict == "caution" else "",
        illumination=("panel passes", "the panels were passed more than once")
        if _passes_tell(prepared)
        else None,
        saturation_counts=min(piles) if rows["pile-up"].verdict == "caution" else math.nan,
    )
    return _Drawn(made, made.undecided, prepared.measured.readings, recording=prepared.recording)


def _passes_tell(prepared: Preparation) -> bool:
    """Whether repeated passes over panels follow the light."""
    readings, recording = prepared.measured.readings, prepared.recording
    if len({reading.panel for reading in readings}) == len(readings):
        return False
    certified = references(prepared.config, recording.cubes[0])
    try:
        follow_light("panel passes", recording, readings, certified)
    except CalibrationError:
        return False
    return True


def _prepared(made: Composed, path: Path, progress: Progress) -> Preparation:
    text = config_text((), made.sections)
    return prepare(config_from_table(tomllib.loads(text), path=path, text=text), progress)


def _places(readings: tuple[PanelReading, ...]) -> dict[str, PanelPlace]:
    """Windows of each panel, one where it was passed once."""
    found: dict[str, list[Mapping[str, object]]] = {}
    for reading in readings:
        window = {"cube": reading.cube, "lines": [*reading.lines], "samples": [*reading.samples]}
        found.setdefault(reading.panel, []).append(window)
    return {
        name: PanelPlace(
            windows[0] if len(windows) == 1 else list(windows), "found on the image, and certain"
        )
        for name, windows in found.items()
    }
