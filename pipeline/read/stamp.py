"""What tells that a file is still the one that was read, without reading it again."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import InputError

#: Longest step of a clock by which a file system dates its changes: that of the kernel's timer;
#: and that of file systems which keep whole seconds alone.
_STEP_NS, _COARSE_STEP_NS = 20_000_000, 2_000_000_000
_SECOND_NS = 1_000_000_000


@dataclass(frozen=True)
class Stamp:
    """Size, times and place of a file: another content has another stamp.

    The time of modification can be set back at will, that of change cannot.
    """

    bytes: int
    modified_ns: int
    inode: int
    changed_ns: int


def stamp_of(path: Path) -> Stamp:
    """A file's stamp now; InputError where it is not there or cannot be looked at."""
    try:
        seen = path.stat()
    except FileNotFoundError:
        raise InputError("no such file", where=path) from None
    except (OSError, ValueError) as error:
        raise InputError(f"cannot be read: {error}", where=path) from None
    return Stamp(seen.st_size, seen.st_mtime_ns, seen.st_ino, seen.st_ctime_ns)


def first_look(path: Path) -> Stamp:
    """A file's stamp before any of it is read; InputError as `stamp_of`.

    Waits until the clock has moved on since the file's last change: a change that falls into the
    same step of the clock would leave the stamp as it is, and pass for nothing.
    """
    stamp = stamp_of(path)
    coarse = stamp.changed_ns % _SECOND_NS == 0
    step_ns = _COARSE_STEP_NS if coarse else _STEP_NS
    wait_ns = stamp.changed_ns + step_ns - time.time_ns()
    if not 0 < wait_ns <= step_ns:
        return stamp
    time.sleep(wait_ns / _SECOND_NS)
    return stamp_of(path)
