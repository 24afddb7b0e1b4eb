"""What a person reads in the morning: what needs somebody, and what was calibrated."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.campaign.ledger import FlightRow
from pipeline.foreign import one_line

#: Name of the plain text, for mail.
SUMMARY = "summary.txt"
#: A file of this name in a flight's folder says that somebody knows of it.
ACKNOWLEDGED = "acknowledged"
#: Calibrated flights that the summary lists; the index has all.
MOST_CALIBRATED = 30
_HOUR_S = 3600.0


@dataclass(frozen=True)
class Morning:
    """A flight as it stands in the morning."""

    flight: str  # name of its folder, on one line
    state: str  # waiting, not whole, failed, set aside, done
    verdict: str
    says: str  # gravest row of its run, or why there is none
    flown: str  # day, ISO 8601; empty where it is not known
    cubes: int  # calibrated ones
    run: Path | None
    run_id: str
    changed_s: float  # since when it is in this state, since 1970
    present: bool  # still in the inbox
    acknowledged: bool
    overdue: bool  # waits for longer than it should

    @property
    def needs_somebody(self) -> bool:
        """Whether it is neither calibrated, nor known of, nor waiting as it should."""
        if not self.present or self.acknowledged or self.state == "done":
            return False
        return self.state != "waiting" or self.overdue


def morning_of(
    row: FlightRow, *, present: bool, acknowledged: bool, now_s: float, overdue_hours: float
) -> Morning:
    """A flight of the ledger as it stands."""
    says = row.reason or row.says
    waits_s = now_s - row.waiting_since_s if row.waiting_since_s > 0 else 0.0
    return Morning(
        flight=one_line(row.name),
        state=row.state,
        verdict=row.verdict,
        says=one_line(says if present else f"no longer in the inbox. {says}"),
        flown=one_line(row.flown),
        cubes=row.cubes,
        run=row.run_folder,
        run_id=one_line(row.run_id),
        changed_s=row.changed_s,
        present=present,
        acknowledged=acknowledged,
        overdue=row.state == "waiting" and waits_s > overdue_hours * _HOUR_S,
    )


def is_acknowledged(folder: Path, listed: Sequence[str]) -> bool:
    """Whether somebody said that they know of a flight."""
    return folder.name in listed or os.path.lexists(folder / ACKNOWLEDGED)


def shown_time(seconds: float) -> str:
    """A time since 1970 as people read it; a damaged ledger may hold one of no calendar."""
    try:
        return dt.datetime.fromtimestamp(seconds, dt.UTC).strftime("%Y-%m-%d %H:%M")
    except (OverflowError, ValueError, OSError):
        return "unknown"


def in_order(flights: Sequence[Morning]) -> list[Morning]:
    """What needs somebody first, then the newest."""
    by_name = sorted(flights, key=lambda f: f.flight)
    newest = sorted(by_name, key=lambda f: f.flown or shown_time(f.changed_s)[:10], reverse=True)
    return sorted(newest, key=lambda f: not f.needs_somebody)


def summary_text(title: str, flights: Sequence[Morning], folder: Path, now_s: float) -> str:
    """The plain text: a line a flight, what needs somebody first.

    Parameters
    ----------
    folder : of the summary, which links are relative to
    """
    listed = in_order(flights)
    urgent = [f for f in listed if f.needs_somebody]
    waiting = [f for f in listed if f.present and not f.needs_somebody and f.state != "done"]
    done = [f for f in listed if f.state == "done"]
    parts = [f"{one_line(title)}, {shown_time(now_s)} UTC"]
    many = "flight needs" if len(urgent) == 1 else "flights need"
    parts.append(f"{len(urgent)} {many} somebody, {len(waiting)} wait or are acknowledged, "
                 f"{len(done)} calibrated.")  # fmt: skip
    for heading, some in (
        ("Needs somebody", urgent),
        ("Waiting or acknowledged", waiting),
        ("Calibrated, newest first", done[:MOST_CALIBRATED]),
    ):
        if some:
            parts += ["", f"{heading}:", *(_line(f, folder) for f in some)]
    if len(done) > MOST_CALIBRATED:
        parts.append(f"and {len(done) - MOST_CALIBRATED} more in index.html")
    return "\n".join(parts) + "\n"


def _line(one: Morning, folder: Path) -> str:
    state = one.verdict if one.state == "done" else one.state
    if one.overdue:
        state = f"overdue, waiting since {shown_time(one.changed_s)} UTC"
    if one.acknowledged and one.state != "done":
        state += ", acknowledged"
    text = f"  {one.flight}: {f'flown {one.flown}, ' if one.flown else ''}{state}"
    if one.cubes:
        text += f", {one.cubes} cube{'' if one.cubes == 1 else 's'}"
    if one.says:
        text += f". {one.says}"
    if one.run is not None:
        text += f" [{one_line(os.path.relpath(one.run / 'report.html', folder))}]"
    return one_line(text)
