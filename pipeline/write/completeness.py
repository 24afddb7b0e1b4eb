"""Whether a finished run is still all there, by a look that costs no reading of its cubes."""

from __future__ import annotations

import stat
from collections.abc import Mapping
from pathlib import Path

from pipeline.errors import InputError
from pipeline.write.checksums import CHECKSUMS, is_inside, parse_line, read_lines, sha256_of
from pipeline.write.run_record import RUN_JSON, read_run


class _Fault(Exception):
    """The first thing that is wrong."""


def fault_of(run: Path) -> str:
    """The first thing that a run's folder lacks of what was published; empty where nothing.

    `run.json` must be what the checksums say, and every file that either names must be there: a
    cube with its size, another file with its digest. Counts that were changed within a cube are
    not seen: `verify` reads all of it.
    """
    try:
        _require_folder(run)
        listed = _listed(run)
        for name, (size, sha256) in _outputs(run, listed).items():
            if listed.get(name) != sha256:
                raise _Fault(f"{CHECKSUMS} does not list {name} as {RUN_JSON} does")
            if _size(run, name) != size:
                raise _Fault(f"{name} has {_size(run, name)} bytes, not the {size} written")
            del listed[name]
        for name, sha256 in listed.items():
            _size(run, name)
            if sha256_of(run / name) != sha256:
                raise _Fault(f"{name} is not what was written")
    except _Fault as fault:
        return str(fault)
    except OSError as error:
        return f"it cannot be read: {error.strerror}"
    return ""


def _require_folder(run: Path) -> None:
    if not stat.S_ISDIR(run.lstat().st_mode):
        raise _Fault(f"{run.name} is no folder")


def _listed(run: Path) -> dict[str, str]:
    """SHA-256 of each file in the checksums, `run.json` and the report among them."""
    _size(run, CHECKSUMS)
    rows = [parse_line(line) for line in read_lines(run / CHECKSUMS)]
    listed = dict(row for row in rows if row is not None)
    missing = [name for name in (RUN_JSON, "report.html") if name not in listed]
    if missing or None in rows:
        raise _Fault(f"{CHECKSUMS} is not whole")
    return listed


def _outputs(run: Path, listed: Mapping[str, str]) -> dict[str, tuple[int, str]]:
    """Size and SHA-256 of each output that the record tells of."""
    _size(run, RUN_JSON)
    if sha256_of(run / RUN_JSON) != listed[RUN_JSON]:
        raise _Fault(f"{RUN_JSON} is not what was written")
    try:
        record = read_run(run)
    except InputError as error:
        raise _Fault(f"{RUN_JSON} is {error.what}") from None
    if record.run_id != run.name:
        raise _Fault(f"{RUN_JSON} is that of another run, {record.run_id}")
    return {output.name: (output.bytes, output.sha256) for output in record.outputs}


def _size(run: Path, name: str) -> int:
    """Bytes of a run's file, which must be one and no link, and lie in the run."""
    if not is_inside(name):
        raise _Fault(f"{CHECKSUMS} leads out of the run")
    try:
        seen = (run / name).lstat()
    except FileNotFoundError:
        raise _Fault(f"{name} is missing") from None
    if not stat.S_ISREG(seen.st_mode):
        raise _Fault(f"{name} is no file")
    return seen.st_size
