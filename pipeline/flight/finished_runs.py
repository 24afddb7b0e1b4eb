"""Which runs of a flight are finished: told without loading what makes them."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from pipeline.errors import InputError

#: Characters of a run id: enough for any number of runs of one flight.
ID_LENGTH = 12


def finished_runs(folder: Path) -> list[Path]:
    """Finished runs of a flight, oldest first; no link to one."""
    with suppress(OSError):
        runs = [p for p in folder.iterdir() if _is_run(p)]
        return sorted(runs, key=lambda p: ((p / "run.json").stat().st_mtime_ns, p.name))
    return []


def _is_run(path: Path) -> bool:
    # A run set aside has a hyphen in its name, other things beside the runs begin with a dot.
    named = len(path.name) == ID_LENGTH and path.name.isalnum()
    return named and not path.is_symlink() and (path / "run.json").is_file()


def runs_by_flight(folder: Path) -> Iterator[list[Path]]:
    """The finished runs of each flight below a folder, oldest first; no link is followed.

    Raises
    ------
    InputError
        The folder cannot be looked through.
    """

    def fails(error: OSError) -> None:
        if Path(error.filename) == folder:
            raise InputError(
                f"cannot be looked through: {error.strerror}",
                where=folder,
                do="Name the folder that the flights' results are in",
            ) from error

    for place, names, _ in os.walk(folder, onerror=fails):
        runs = finished_runs(Path(place))
        inside = {run.name for run in runs}
        names[:] = sorted(n for n in names if n not in inside and not n.startswith("."))
        if runs:
            yield runs
