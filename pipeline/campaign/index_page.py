"""index.html of a campaign: all its flights, the ones that need somebody first."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from pipeline.campaign.morning import Morning, in_order, shown_time
from pipeline.campaign.record_files import PAGE
from pipeline.write.page.small_picture import PICTURE
from pipeline.write.page.template import rendered
from pipeline.write.small_file import write_text

_ORDER = ("failed", "set aside", "not whole", "waiting", "done")


def write_index(path: Path, title: str, flights: Sequence[Morning]) -> None:
    """Write the page whole; names and reasons are shown as text, links are relative.

    Raises
    ------
    OSError
        It cannot be written; the earlier page stays.
    """
    counts = [(state, sum(one.state == state for one in flights)) for state in _ORDER]
    listed = in_order(flights)
    text = rendered(
        "pipeline.campaign",
        "index.html.j2",
        script="index.js",
        title=title,
        counts=[(state, number) for state, number in counts if number],
        needing=sum(one.needs_somebody for one in flights),
        choices=sorted({_shown_as(one) for one in flights}),
        rows=[_shown(one, path.parent) for one in listed],
        record=PAGE if (path.parent / PAGE).is_file() else "",
    )
    write_text(path, text)


def _shown_as(one: Morning) -> str:
    """Verdict of a calibrated flight, state of another."""
    return one.verdict if one.state == "done" else one.state


def _shown(one: Morning, folder: Path) -> dict[str, Any]:
    link = picture = ""
    if one.run is not None:
        link = _link(one.run / "report.html", folder)
        if (one.run / PICTURE).is_file():
            picture = _link(one.run / PICTURE, folder)
    return {
        "flight": one.flight,
        "flown": one.flown,
        "kind": _shown_as(one),
        "state": one.state,
        "notes": [
            *(["needs somebody"] if one.needs_somebody else []),
            *(["overdue"] if one.overdue else []),
            *(["acknowledged"] if one.acknowledged and one.state != "done" else []),
        ],
        "says": one.says,
        "cubes": one.cubes or "",
        "since": shown_time(one.changed_s),
        "run_id": one.run_id,
        "link": link,
        "picture": picture,
    }


def _link(path: Path, folder: Path) -> str:
    return quote(os.fsencode(os.path.relpath(path, folder)))
