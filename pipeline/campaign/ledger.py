"""What sweeps have seen and done, in SQLite: it outlives a kill at any moment."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from pipeline.errors import OutputError, one_line

_SCHEMA = """
create table if not exists flights (
    folder blob primary key,      -- name in the inbox, as the file system has it
    files text not null,          -- fingerprint of names, sizes and times of all files
    since_s real not null,        -- when these files were first seen so; seconds since 1970
    since_boot_s real not null,   -- the same on the clock that nobody can set
    boot text not null,           -- which start of the computer that clock counts from
    whole text not null default '',  -- files whose manifest was found right
    work text not null default '',   -- fingerprint of files and config at the last try
    state text not null default 'waiting',  -- or not whole, failed, done, set aside
    reason text not null default '',
    run_id text not null default '',
    run_folder blob not null default x'',
    verdict text not null default '',
    changed_s real not null default 0,
    results text not null default '',  -- fingerprint of the run's own files
    waiting_since_s real not null default 0,  -- 0: it does not wait
    flown text not null default '',  -- day of the flight, as its run knows it
    cubes integer not null default 0,  -- calibrated ones
    says text not null default ''  -- the run's gravest row in its own words
) strict;
create table if not exists tries (
    id integer primary key,
    folder blob not null,
    work text not null,
    began_s real not null,
    ended_s real,                 -- null: at work, or killed
    outcome text not null default 'at work',
    reason text not null default '',
    run_id text not null default ''
) strict;
create index if not exists tries_of_work on tries (folder, work);
"""

#: How long another program may hold the ledger [s].
PATIENCE_S = 10
#: Columns that ledgers of earlier versions lack.
_LATER = (
    ("results", "text not null default ''"),
    ("waiting_since_s", "real not null default 0"),
    ("flown", "text not null default ''"),
    ("cubes", "integer not null default 0"),
    ("says", "text not null default ''"),
)
#: Outcomes that count as a try of the flight; a full disk is not the flight's fault.
COUNTED = ("failed", "killed")


@dataclass(frozen=True)
class Moment:
    """A point in time on two clocks."""

    now_s: float  # seconds since 1970, as the computer believes
    boot_s: float = 0.0  # seconds since the computer started
    boot: str = ""  # which start that was; empty where there is no such clock


@dataclass(frozen=True)
class FlightRow:
    """A flight as the ledger knows it."""

    name: str  # of its folder in the inbox
    state: str  # waiting, not whole, done, failed, set aside
    reason: str
    run_id: str
    run_folder: Path | None
    verdict: str
    work: str
    whole: str
    changed_s: float
    results: str
    waiting_since_s: float  # 0 where it does not wait
    flown: str
    cubes: int
    says: str


class Ledger:
    """The open ledger; a context manager. Every change is on the disk when its method returns.

    Raises
    ------
    OutputError
        The file cannot be opened, is no ledger, or cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        with self._told():
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, isolation_level=None, timeout=PATIENCE_S)
            try:
                self._db.execute("pragma journal_mode = wal")
                self._db.execute("pragma synchronous = full")
                self._db.executescript(_SCHEMA)
                self._bring_up_to_date()
            except BaseException:
                self._db.close()
                raise

    def _bring_up_to_date(self) -> None:
        """Add what a ledger of an earlier version lacks."""
        columns = {row[1] for row in self._db.execute("pragma table_info(flights)")}
        for name, kind in _LATER:
            if name not in columns:
                self._db.execute(f"alter table flights add column {name} {kind}")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._db.close()

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        # SQLite words what it finds damaged in bytes that need be no text.
        except (sqlite3.Error, OSError, UnicodeDecodeError) as error:
            held = getattr(error, "sqlite_errorcode", None) in (
                sqlite3.SQLITE_BUSY,
                sqlite3.SQLITE_LOCKED,
            )
            raise OutputError(
                f"the ledger cannot be used: {one_line(error)}",
                where=self._path,
                do="Another program has it open: close that, and try again"
                if held
                else "Free space, or move the file away to begin a new one",
            ) from error

    def flight(self, name: str) -> FlightRow | None:
        """One flight, or None if it was never seen."""
        return next(iter(self._flights("where folder = ?", os.fsencode(name))), None)

    def flights(self) -> list[FlightRow]:
        """All flights, in order of their names."""
        return self._flights("order by folder")

    def _flights(self, clause: str, *values: object) -> list[FlightRow]:
        with self._told():
            rows = self._db.execute(
                "select folder, state, reason, run_id, run_folder, verdict, work, whole, "
                f"changed_s, results, waiting_since_s, flown, cubes, says from flights {clause}",
                values,
            ).fetchall()
        return [
            FlightRow(
                os.fsdecode(r[0]),
                r[1],
                r[2],
                r[3],
                Path(os.fsdecode(r[4])) if r[4] else None,
                *r[5:],
            )
            for r in rows
        ]

    def still_s(self, name: str, files: str, at: Moment) -> float:
        """For how long a flight's files have been seen unchanged, this sighting included [s].

        Counted from the first sighting by the clock that runs from the computer's start, which
        nobody sets; after a restart by the time of day. A time of day before that of the first
        sighting proves that the clock was set back, and counting begins anew. The files' own
        times are compared, never subtracted from the present: a camera's clock may be wrong.
        """
        folder = os.fsencode(name)
        with self._told():
            row = self._db.execute(
                "select files, since_s, since_boot_s, boot from flights where folder = ?", (folder,)
            ).fetchone()
            if row is not None and row[0] == files:
                same_boot = bool(at.boot) and row[3] == at.boot
                elapsed_s = at.boot_s - row[2] if same_boot else at.now_s - row[1]
                if elapsed_s >= 0:
                    return float(elapsed_s)
            self._db.execute(
                "insert into flights (folder, files, since_s, since_boot_s, boot) "
                "values (?, ?, ?, ?, ?) on conflict (folder) do update set files = excluded.files, "
                "since_s = excluded.since_s, since_boot_s = excluded.since_boot_s, "
                "boot = excluded.boot",
                (folder, files, at.now_s, at.boot_s, at.boot),
            )
        return 0.0

    def found_whole(self, name: str, files: str) -> None:
        """Remember that the manifest agreed with these files."""
        with self._told():
            self._db.execute(
                "update flights set whole = ? where folder = ?", (files, os.fsencode(name))
            )

    def wait(self, name: str, state: str, reason: str, now_s: float) -> None:
        """A flight is not taken yet: it is waited for, or it is not whole."""
        with self._told():
            self._db.execute(
                "update flights set reason = ?, changed_s = case when state = ? and changed_s > 0 "
                "then changed_s else ? end, waiting_since_s = case when waiting_since_s > 0 then "
                "waiting_since_s else ? end, state = ? where folder = ?",
                (_text(reason), state, now_s, now_s, state, os.fsencode(name)),
            )

    def tries(self, name: str, work: str) -> int:
        """How many tries of this very work have failed since it last succeeded."""
        with self._told():
            rows = self._db.execute(
                "select outcome from tries where folder = ? and work = ? order by id",
                (os.fsencode(name), work),
            ).fetchall()
        failed = 0
        for (outcome,) in rows:
            failed = 0 if outcome == "done" else failed + (outcome in COUNTED)
        return failed

    def begin(self, name: str, work: str, now_s: float) -> int:
        """A try begins; its number."""
        with self._told():
            found = self._db.execute(
                "insert into tries (folder, work, began_s) values (?, ?, ?)",
                (os.fsencode(name), work, now_s),
            )
            return int(found.lastrowid or 0)

    def forget(self, number: int) -> None:
        """A try was called off by the user; it does not count."""
        with self._told():
            self._db.execute("delete from tries where id = ?", (number,))

    def end(self, number: int, outcome: str, reason: str, run_id: str, now_s: float) -> None:
        """A try has ended."""
        with self._told():
            self._db.execute(
                "update tries set ended_s = ?, outcome = ?, reason = ?, run_id = ? where id = ?",
                (now_s, outcome, _text(reason), run_id, number),
            )

    def settle(
        self,
        name: str,
        state: str,
        reason: str,
        *,
        work: str,
        now_s: float,
        run_id: str = "",
        run_folder: Path | None = None,
        verdict: str = "",
        results: str = "",
        flown: str = "",
        cubes: int = 0,
        says: str = "",
    ) -> None:
        """Where a flight stands after a try."""
        with self._told():
            self._db.execute(
                "update flights set state = ?, reason = ?, work = ?, changed_s = ?, run_id = ?, "
                "run_folder = ?, verdict = ?, results = ?, flown = ?, cubes = ?, says = ?, "
                "waiting_since_s = 0 where folder = ?",
                (
                    state,
                    _text(reason),
                    work,
                    now_s,
                    run_id,
                    os.fsencode(run_folder) if run_folder else b"",
                    verdict,
                    results,
                    flown,
                    cubes,
                    _text(says),
                    os.fsencode(name),
                ),
            )

    def close_killed(self, now_s: float) -> None:
        """Close the tries of a sweep that was killed; to be called with the lock held.

        They count: a flight at which the program dies each time must not stop all the others.
        """
        with self._told():
            self._db.execute(
                "update tries set ended_s = ?, outcome = 'killed', "
                "reason = 'the sweep was killed while at work on it' where ended_s is null",
                (now_s,),
            )

    def last_reason(self, name: str, work: str) -> str:
        """Why the last try of this work failed."""
        with self._told():
            row = self._db.execute(
                "select reason from tries where folder = ? and work = ? order by id desc limit 1",
                (os.fsencode(name), work),
            ).fetchone()
        return str(row[0]) if row else ""


def _text(text: str) -> str:
    # SQLite takes no lone surrogates, which file names may hold.
    return one_line(text)
