"""`latest` beside a flight's runs: the newest of them under a name that stays."""

from __future__ import annotations

import errno
import os
from contextlib import suppress
from pathlib import Path

from pipeline.flight.finished_runs import finished_runs
from pipeline.write.small_file import write_text

LATEST = "latest"
#: What a file system without links answers.
_NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOTSUP, errno.ENOSYS, errno.EINVAL)


def lead_to_latest(folder: Path, *, make: bool) -> bool:
    """Let `latest` lead to the newest finished run of a flight; whether it does now.

    It is a relative link, so that results can be moved; where the file system has none, a text
    file that holds the run's id. A folder of that name is somebody's own and stays.

    Parameters
    ----------
    folder : of the flight's runs
    make : also where there is none yet. A sweep makes it; a run keeps it from going stale.
    """
    place = folder / LATEST
    runs = finished_runs(folder)
    if not runs or not (make or os.path.lexists(place)):
        return False
    newest = runs[-1].name
    # A convenience: where it cannot be written the run stands all the same.
    with suppress(OSError):
        if _leads_to(place) != newest:
            _replace(place, newest)
    return _leads_to(place) == newest


def _leads_to(place: Path) -> str:
    """Name of the run that it leads to; empty where it leads to none."""
    with suppress(OSError, UnicodeDecodeError):
        if place.is_symlink():
            return str(place.readlink())
        if place.is_file():
            return place.read_text("utf-8").strip()
    return ""


def _replace(place: Path, newest: str) -> None:
    beside = place.with_name(f".{LATEST}")
    beside.unlink(missing_ok=True)  # of a run that was killed just here
    try:
        beside.symlink_to(newest, target_is_directory=True)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        write_text(place, f"{newest}\n")
        return
    try:
        beside.replace(place)
    finally:
        beside.unlink(missing_ok=True)
