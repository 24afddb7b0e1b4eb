"""Nothing half-written: files are written beside and renamed, folders too."""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path
from typing import IO

from pipeline.errors import OutputError
from pipeline.write.flush import flush

_STAGING = ".writing-"
_LOCK = ".lock"
CHECKSUMS = "checksums.sha256"


def write_text(path: Path, text: str) -> None:
    """Write a small file so that it is whole under its name, or not there."""
    descriptor, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        Path(beside).chmod(0o644)
        Path(beside).replace(path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise


@contextmanager
def staging(folder: Path) -> Iterator[Path]:
    """A folder to write a run in, beside its final place; removed unless published.

    Leftovers of killed runs are cleared away: a staging folder is alive while its lock is held.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        clear_leftovers(folder)
        place, lock = _claimed(folder)
    except OSError as error:
        raise OutputError(
            f"cannot write here: {error.strerror}",
            where=folder,
            do="Choose another output folder",
        ) from error
    try:
        yield place
    finally:
        shutil.rmtree(place, ignore_errors=True)
        lock.close()


def _claimed(folder: Path) -> tuple[Path, IO[str]]:
    """A new staging folder and its lock, held.

    Another run that clears leftovers may take the folder away before it is locked; then again.
    """
    while True:
        place = Path(tempfile.mkdtemp(dir=folder, prefix=_STAGING))
        place.chmod(0o755)
        try:
            lock = (place / _LOCK).open("w")
        except FileNotFoundError:
            continue
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            lock.close()
            continue
        if (place / _LOCK).exists():
            return place, lock
        lock.close()


def clear_leftovers(folder: Path) -> None:
    """Remove staging folders whose writer is gone."""
    for place in folder.glob(f"{_STAGING}*"):
        with suppress(OSError):
            lock_path = place / _LOCK
            if not lock_path.exists():
                # Made a moment ago and not locked yet, or half removed: an empty one is no harm.
                with suppress(OSError):
                    place.rmdir()
                continue
            with lock_path.open("a") as lock:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                for earlier in place.iterdir():
                    # Killed between moving a run aside and replacing it: the run stands again.
                    if (earlier / "run.json").is_file():
                        with suppress(OSError):
                            earlier.rename(folder / earlier.name)
                shutil.rmtree(place, ignore_errors=True)


def clear_beside(place: Path) -> None:
    """Remove what lost workers left in a staging folder: every hidden entry but the lock."""
    for path in place.glob(".*"):
        if path.name == _LOCK:
            continue
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def files_below(folder: Path) -> list[Path]:
    """All files of a run, in order of their paths, but for the lock and the checksums."""
    return sorted(p for p in folder.rglob("*") if p.is_file() and p.name not in (_LOCK, CHECKSUMS))


def write_checksums(folder: Path, digests: dict[Path, str]) -> None:
    """`checksums.sha256` of a run's files, as `sha256sum -c` reads it."""
    lines = [f"{sha}  {path.relative_to(folder).as_posix()}" for path, sha in digests.items()]
    write_text(folder / CHECKSUMS, "\n".join(lines) + "\n")


def publish(place: Path, target: Path, *, replace: bool = False) -> bool:
    """Give a finished staging folder its final name.

    Returns False when a run of that name is there already and `replace` is not asked for: the
    same work was finished meanwhile, and its result stands.
    """
    for path in place.rglob("*"):
        flush(path)
    flush(place)
    try:
        with _moved_aside(target) if replace and target.exists() else nullcontext():
            place.rename(target)
    except OSError as error:
        if error.errno in (errno.ENOTEMPTY, errno.EEXIST) and (target / "run.json").is_file():
            return False
        raise
    # Not before: a folder without its lock would not be cleared away after a kill.
    (target / _LOCK).unlink(missing_ok=True)
    flush(target.parent)
    return True


@contextmanager
def _moved_aside(target: Path) -> Iterator[None]:
    """An earlier run out of the way until the new one stands, and put back if it does not."""
    holder = Path(tempfile.mkdtemp(dir=target.parent, prefix=_STAGING))
    with (holder / _LOCK).open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        target.rename(holder / target.name)
        try:
            yield
        except BaseException:
            with suppress(OSError):
                (holder / target.name).rename(target)
            raise
        finally:
            shutil.rmtree(holder, ignore_errors=True)
