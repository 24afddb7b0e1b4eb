"""What the page says of the flight itself: its date, its panels' places and certificates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.write.run_record import RunRecord

#: Digits of a digest that tell two certificates of a flight apart.
_SHORT = 12


@dataclass(frozen=True)
class Outline:
    """A window on a strip, half-open."""

    panel: str
    lines: tuple[int, int]
    samples: tuple[int, int]


@dataclass(frozen=True)
class PanelFacts:
    """A panel as the page lists it."""

    name: str
    use: str
    certificate: str
    measured: str
    digest: str
    places: tuple[str, ...]


def flown(record: RunRecord) -> str:
    """When the flight's first line was recorded; empty where that is not known."""
    if record.quantities is None or record.quantities.flown is None:
        return ""
    return record.quantities.flown.split(".")[0].replace("T", " ").removesuffix("Z") + " UTC"


def outlines(record: RunRecord) -> dict[str, list[Outline]]:
    """The windows of all passes over panels, by cube."""
    found: dict[str, list[Outline]] = {}
    for panel in record.panels:
        for one in panel.passes:
            outline = Outline(panel.panel, one.lines, one.samples)
            found.setdefault(one.cube, []).append(outline)
    return found


def panel_facts(record: RunRecord) -> list[PanelFacts]:
    """Each panel, its certificate, and how each of its windows is known."""
    rows: Mapping[str, Any] = {}
    for row in reversed(record.config.get("panel") or ()):
        rows = {**rows, str(row.get("name")): row}
    certified = {p.panel: p for p in record.quantities.panels} if record.quantities else {}
    made = []
    for panel in record.panels:
        given, known = rows.get(panel.panel, {}), certified.get(panel.panel)
        places = tuple(
            f"{p.cube} lines {p.lines[0]} to {p.lines[1]}, samples {p.samples[0]} to "
            f"{p.samples[1]} ({'given' if p.how == 'window' else f'by {p.how}'})"
            for p in panel.passes
        )
        made.append(
            PanelFacts(
                name=panel.panel,
                use=panel.use,
                certificate=str(known.certificate if known else given.get("certificate", "")),
                measured=str((known.measured if known else given.get("measured")) or "not said"),
                digest=(known.certificate_sha256 or "")[:_SHORT] if known else "",
                places=places,
            )
        )
    return made
