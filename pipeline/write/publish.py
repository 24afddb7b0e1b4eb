"""Nothing half-written: files are written beside and renamed, folders too."""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

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
        place = Path(tempfile.mkdtemp(dir=folder, prefix=_STAGING))
        place.chmod(0o755)
        lock = (place / _LOCK).open("w")
    except OSError as error:
        raise OutputError(
            f"cannot write here: {error.strerror}",
            where=folder,
            do="Choose another output folder",
        ) from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield place
    finally:
        shutil.rmtree(place, ignore_errors=True)
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
    (place / _LOCK).unlink(missing_ok=True)
    aside = None
    if replace and target.exists():
        aside = Path(tempfile.mkdtemp(dir=target.parent, prefix=_STAGING)) / "replaced"
        target.rename(aside)
    try:
        place.rename(target)
    except OSError:
        if aside is not None:
            aside.rename(target)
        if (target / "run.json").is_file():
            return False
        raise
    finally:
        if aside is not None:
            shutil.rmtree(aside.parent, ignore_errors=True)
    flush(target.parent)
    return True
