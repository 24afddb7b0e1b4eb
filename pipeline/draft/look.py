"""The page to look at after a `check`: with its windows, or with why it could not find them."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.config.flight import Config
from pipeline.draft.glance import glances
from pipeline.draft.look_page import LookData, Outline, PanelChoice, write_look
from pipeline.errors import CalibrationError
from pipeline.read.inventory import take_inventory
from pipeline.records import PanelReading
from pipeline.write.run_record import PassRow, RunRecord

if TYPE_CHECKING:
    from pipeline.calibrate.panels.image_search import Seen

#: Name of the page, in the flight's folder of results.
CHECK_PAGE = "check.html"


def outlines_of(readings: Iterable[PanelReading]) -> list[Outline]:
    """Outlines of passes over panels."""
    return [Outline(r.panel, r.cube, r.lines, r.samples, True) for r in readings]


def candidates_of(candidates: Iterable[Seen]) -> list[Outline]:
    """Outlines of patches that may be panels."""
    return [
        Outline(
            f"candidate {number}", one.cube, one.patch.core_lines, one.patch.core_samples, False
        )
        for number, one in enumerate(candidates, 1)
    ]


def page_of_check(
    config: Config, record: RunRecord | None, error: CalibrationError | None = None
) -> Path:
    """Write the page of a check; its path.

    Parameters
    ----------
    record : of the check; None where it was refused
    error : why it was refused

    Raises
    ------
    OutputError, InputError
        It cannot be written, or a strip cannot be read.
    """
    passes: list[tuple[str, PassRow]] = []
    if record is not None:
        passes = [(panel.panel, one) for panel in record.panels for one in panel.passes]
    outlines = [Outline(name, one.cube, one.lines, one.samples, True) for name, one in passes]
    if error is not None:
        # Image processing is loaded for a refused check alone.
        from pipeline.calibrate.panels.image_search import UnclearPanelsError

        if isinstance(error, UnclearPanelsError):
            outlines += candidates_of(error.candidates)
    says = str(error) if error is not None else record.says if record is not None else ""
    written = tomllib.loads(config.text).get("panel", ())
    path = config.output.folder / config.flight.name / CHECK_PAGE
    data = LookData(
        flight=config.flight.name,
        says=says,
        certain=record is not None and record.verdict == "good",
        glances=glances(take_inventory(config).cubes, config.sensor.saturation_counts),
        outlines=outlines,
        panels=[
            PanelChoice(name, certificate)
            for name, certificate in dict.fromkeys((p["name"], p["certificate"]) for p in written)
        ],
        config_name=config.path.name,
        config=config.text,
    )
    write_look(path, data)
    return path
