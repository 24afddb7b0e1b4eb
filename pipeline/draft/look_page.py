"""The page to look at before any calibration: strips in raw counts, windows, candidates.

One file that opens offline. A person drags a window, sees its counts, and takes its `[[panel]]`
text or the whole config away.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from pipeline.draft.glance import Glance, stretched
from pipeline.foreign import one_line
from pipeline.write.page.pictures import jpeg
from pipeline.write.page.spectra import script_json
from pipeline.write.page.template import beside, rendered
from pipeline.write.small_file import write_text


@dataclass(frozen=True)
class Outline:
    """A window on a strip, half-open."""

    label: str
    cube: str
    lines: tuple[int, int]
    samples: tuple[int, int]
    certain: bool  # found or given; else a candidate


@dataclass(frozen=True)
class PanelChoice:
    """A panel that a window can be given to."""

    name: str
    certificate: str  # as the config has it


@dataclass(frozen=True, eq=False)
class LookData:
    """All that the page shows."""

    flight: str
    says: str  # how far it got: what was found, or why it was refused
    certain: bool  # nothing is left to decide
    glances: Sequence[Glance]
    outlines: Sequence[Outline]
    panels: Sequence[PanelChoice]
    config_name: str
    config: str  # its text
    to_decide: Sequence[str] = ()


def write_look(path: Path, data: LookData) -> None:
    """Write the page whole."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_text(path, render_look(data))


def render_look(data: LookData) -> str:
    """The page as text."""
    return rendered(
        "pipeline.draft",
        "look.html.j2",
        script="look.js",
        data=data,
        css=Markup(beside("pipeline.draft", "look.css")),
        pictures=[jpeg(picture) for picture in stretched(data.glances)] if data.glances else [],
        strips=[script_json(_embedded(glance)) for glance in data.glances],
        facts=script_json(_facts(data)),
    )


def _embedded(glance: Glance) -> dict[str, Any]:
    """A strip's numbers: little-endian, as typed arrays read them."""
    groups, rows, columns = glance.counts.shape
    return {
        "cube": one_line(glance.cube),
        "lines": glance.lines,
        "samples": glance.samples,
        "lineStep": glance.line_step,
        "sampleStep": glance.sample_step,
        "nm": [round(float(nm), 1) for nm in glance.group_nm],
        "shape": [groups, rows, columns],
        "counts": base64.b64encode(glance.counts.astype("<u2").tobytes()).decode(),
        "saturated": base64.b64encode(glance.saturated.tobytes()).decode(),
    }


def _facts(data: LookData) -> dict[str, Any]:
    return {
        "config": data.config,
        "configName": data.config_name,
        "panels": [{"name": panel.name, "certificate": panel.certificate} for panel in data.panels],
        "outlines": [
            {
                "label": one_line(outline.label),
                "cube": one_line(outline.cube),
                "lines": list(outline.lines),
                "samples": list(outline.samples),
                "certain": outline.certain,
            }
            for outline in data.outlines
        ],
    }
