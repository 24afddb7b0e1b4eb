"""`prune`: runs that a later run of the same flight follows, listed and, if asked, removed."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import InputError, OutputError
from pipeline.flight.finished_runs import runs_by_flight
from pipeline.write import publish
from pipeline.write.completeness import fault_of
from pipeline.write.run_record import RunRecord, read_run


@dataclass(frozen=True)
class Superseded:
    """A run that may go."""

    run: Path
    followed_by: str  # id of the later run
    bytes: int


def superseded(folder: Path, keep: Collection[str] = ()) -> list[Superseded]:
    """The runs below a folder that a later, whole run of their flight follows.

    Never the newest run of a flight, nor one that `keep` names by its id or its path, nor one
    that is not what a run published. No link is followed.

    Raises
    ------
    InputError
        The folder cannot be looked through, or `keep` names a run that is not there.
    """
    if not folder.is_dir():
        raise InputError("no such folder", where=folder)
    kept = {Path(name).name for name in keep}
    seen: set[str] = set()
    found: list[Superseded] = []
    for runs in runs_by_flight(folder):
        records = {run: record for run in runs if (record := _read(run)) is not None}
        seen |= {run.name for run in runs}
        for place, run in enumerate(runs[:-1]):
            if run not in records or run.name in kept:
                continue
            later = next(_followers(run, runs[place + 1 :], records), None)
            if later is not None:
                found.append(Superseded(run, later.name, _size(run)))
    missing = sorted(kept - seen)
    if missing:
        raise InputError(f"no run {', '.join(missing)} to keep", where=folder)
    return found


def _read(run: Path) -> RunRecord | None:
    """A run's record; None where the folder is not what a run published."""
    try:
        record = read_run(run)
    except InputError:
        return None
    return record if record.run_id == run.name and not fault_of(run) else None


def _followers(run: Path, later: list[Path], records: dict[Path, RunRecord]) -> Iterator[Path]:
    """Later whole runs of the same flight that follow a run, directly or by others."""
    ancestors = {run.name}
    for one in later:
        record = records.get(one)
        same = record is not None and record.flight == records[run].flight
        if record is not None and same and record.follows in ancestors:
            ancestors.add(one.name)
            yield one


def _size(run: Path) -> int:
    total = 0
    for path in publish.files_below(run):
        with suppress(OSError):
            total += path.lstat().st_size
    return total


def remove(runs: Collection[Superseded]) -> Iterator[Superseded]:
    """Remove runs, each told as it is gone; what a kill leaves the flight's next run clears away.

    Raises OutputError where one cannot be removed.
    """
    for one in runs:
        publish.clear_leftovers(one.run.parent)
        publish.remove_run(one.run)
        if one.run.exists():
            raise OutputError("cannot be removed", where=one.run, do="Look who may write there")
        yield one
