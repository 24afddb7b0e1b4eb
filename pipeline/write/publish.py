"""Nothing half-written: files are written beside and renamed, folders too.

Beside the runs of a flight lie for a while, and longer where the program was killed:

`.writing-*`   a run that is being written, or one that makes room for its replacement; it is
               alive while its lock is held
`.removing-*`  what is being taken away; never anything else again
"""

from __future__ import annotations

import errno
import fcntl
import os
import shutil
import stat
import tempfile
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import OutputError
from pipeline.write.checksums import CHECKSUMS, checksums_text
from pipeline.write.completeness import fault_of
from pipeline.write.flush import flush
from pipeline.write.small_file import write_bytes
from pipeline.write.undisturbed import undisturbed

_STAGING = ".writing-"
_REMOVING = ".removing-"
_LOCK = ".lock"
_SET_ASIDE = "-set-aside"


@contextmanager
def staging(folder: Path) -> Iterator[Path]:
    """A folder to write a run in, beside its final place; removed unless published.

    Leftovers of killed runs are cleared away. Folders made for it go with it if they are empty.
    """
    made = [above for above in (folder, *folder.parents) if not above.exists()]
    claimed: tuple[Path, int] | None = None
    try:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            clear_leftovers(folder)
            with undisturbed():
                claimed = _claimed(folder)
        except OSError as error:
            raise OutputError(
                f"cannot write here: {error.strerror}",
                where=folder,
                do="Choose another output folder",
            ) from error
        yield claimed[0]
    finally:
        with undisturbed():
            if claimed is not None:
                _remove(claimed[0])
                os.close(claimed[1])
            for empty in made:
                with suppress(OSError):
                    empty.rmdir()


def not_written(error: OSError, place: Path, *, where: str | os.PathLike[str]) -> OutputError:
    """Why something cannot be written.

    Parameters
    ----------
    place : the folder that it was to be written in, which the program made; a library may call
        its absence anything
    where : what the message names
    """
    if not place.is_dir():
        return OutputError(
            "the folder that it was being written in has been removed",
            where=where,
            do="Run it again, and let nothing clear its results while it works",
        )
    return OutputError(
        f"cannot be written: {error.strerror or error}",
        where=where,
        do="Free space or choose another output folder",
    )


def _claimed(folder: Path) -> tuple[Path, int]:
    """A new staging folder and its lock, held.

    Another run that clears leftovers may take the folder away before it is locked; then again.
    """
    while True:
        folder.mkdir(parents=True, exist_ok=True)
        with suppress(FileNotFoundError, BlockingIOError):
            place = Path(tempfile.mkdtemp(dir=folder, prefix=_STAGING))
            place.chmod(0o755)
            lock = _locked(place, os.O_CREAT)
            if (place / _LOCK).exists():
                return place, lock
            os.close(lock)


def _locked(place: Path, create: int = 0) -> int:
    """The lock of a staging folder, held; no link is followed."""
    lock = os.open(place / _LOCK, os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC | create, 0o644)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BaseException:
        os.close(lock)
        raise
    return lock


def clear_leftovers(folder: Path) -> None:
    """Remove staging folders whose writer is gone, and what a killed run was removing.

    A link is never followed: what it leads to is not ours.
    """
    for place in filter(_is_folder, folder.glob(f"{_STAGING}*")):
        with suppress(OSError):
            if not (place / _LOCK).exists():
                # Made a moment ago and not locked yet: an empty one is no harm.
                place.rmdir()
                continue
            lock = _locked(place)
            try:
                _stand_again(place, folder)
                _remove(place)
            finally:
                os.close(lock)
    for place in filter(_is_folder, folder.glob(f"{_REMOVING}*")):
        shutil.rmtree(place, ignore_errors=True)


def _is_folder(path: Path) -> bool:
    """Whether a path is a folder itself, and no link to one."""
    with suppress(OSError):
        return stat.S_ISDIR(path.lstat().st_mode)
    return False


def _stand_again(place: Path, folder: Path) -> None:
    """Put back a run whose replacement was killed between its two renames."""
    for earlier in place.iterdir():
        if _is_folder(earlier) and (earlier / "run.json").is_file():
            # Not possible where the new one stands already; then it is removed.
            with suppress(OSError):
                earlier.rename(folder / earlier.name)


def _remove(place: Path) -> None:
    """Take a folder away: its name at once, then what is in it.

    Killed meanwhile, what is left is known by its name as something to remove: it is never taken
    for a run, and its lock, which may be gone, is not asked.
    """
    doomed = place.with_name(f"{_REMOVING}{uuid.uuid4().hex}")
    try:
        place.rename(doomed)
    except OSError:
        doomed = place
    shutil.rmtree(doomed, ignore_errors=True)


def remove_run(run: Path) -> None:
    """Take a finished run away: never a half of it under its name."""
    with undisturbed():
        _remove(run)


def clear_beside(place: Path) -> None:
    """Remove what lost workers left in a staging folder: every hidden entry but the lock."""
    for path in place.glob(".*"):
        if path.name == _LOCK:
            continue
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


def files_below(folder: Path) -> list[Path]:
    """All files of a run, in order of their paths, but for the lock and the checksums."""
    return sorted(p for p in folder.rglob("*") if p.is_file() and p.name not in (_LOCK, CHECKSUMS))


def write_checksums(folder: Path, digests: Mapping[Path, str]) -> None:
    """`checksums.sha256` of a run's files, as `sha256sum -c` reads it."""
    names = {path.relative_to(folder).as_posix(): sha256 for path, sha256 in digests.items()}
    write_bytes(folder / CHECKSUMS, checksums_text(names).encode("utf-8", "surrogateescape"))


@dataclass(frozen=True)
class Published:
    """What became of a finished staging folder."""

    fresh: bool  # False: the same work was finished meanwhile, and its result stands
    fault: str = ""  # what was wrong with the folder that was there under its name
    set_aside: Path | None = None  # where that folder is now, if it held what no run wrote


def publish(place: Path, target: Path, *, replace: bool = False) -> Published:
    """Give a finished staging folder its final name.

    A whole run of that name stands unless `replace` is asked for. One that is not whole is
    replaced; where it also holds files that the new one has not, it is set aside, not removed.
    """
    for path in place.rglob("*"):
        flush(path)
    flush(place)
    published = _renamed(place, target, replace)
    if published.fresh:
        # Not before: a folder without its lock would not be cleared away after a kill.
        (target / _LOCK).unlink(missing_ok=True)
        flush(target.parent)
    return published


def _renamed(place: Path, target: Path, replace: bool) -> Published:
    while True:
        try:
            there = os.path.lexists(target)
            fault = fault_of(target) if there else ""
            if there and not fault and not replace:
                return Published(fresh=False)
            if not there:
                place.rename(target)
                return Published(fresh=True)
            if not replace and _foreign(target, place):
                aside = _free_name(target)
                target.rename(aside)
                place.rename(target)
                return Published(fresh=True, fault=fault, set_aside=aside)
            with _moved_aside(target):
                place.rename(target)
            return Published(fresh=True, fault=fault)
        except OSError as error:
            # Another run came between; what it published is looked at anew.
            if error.errno not in (errno.ENOTEMPTY, errno.EEXIST) or not place.exists():
                raise


def _foreign(target: Path, place: Path) -> bool:
    """Whether something lies there that the new run does not have: no run wrote it."""
    if not _is_folder(target):
        return True
    ours = {path.relative_to(place) for path in place.rglob("*")}
    names = {path.relative_to(target) for path in target.rglob("*")}
    return bool(names - ours - {Path(_LOCK), Path(CHECKSUMS)})


def _free_name(target: Path) -> Path:
    names = [f"{target.name}{_SET_ASIDE}"]
    while os.path.lexists(target.with_name(names[-1])):
        names.append(f"{target.name}{_SET_ASIDE}-{len(names) + 1}")
    return target.with_name(names[-1])


@contextmanager
def _moved_aside(target: Path) -> Iterator[None]:
    """An earlier run out of the way until the new one stands, and put back if it does not."""
    with undisturbed():
        holder, lock = _claimed(target.parent)
        earlier = holder / target.name
        try:
            target.rename(earlier)
            try:
                yield
            except BaseException:
                earlier.rename(target)
                raise
        finally:
            # Where it could not be put back the folder stays: the next run tries again.
            if _is_folder(target) or not earlier.exists():
                _remove(holder)
            os.close(lock)
