"""What lies in an inbox: its flights, what each is made of, and whether it has arrived whole."""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.campaign.boundary import leads_out
from pipeline.campaign.config import Campaign
from pipeline.campaign.morning import ACKNOWLEDGED
from pipeline.errors import OutputError, ReflectoryError

MANIFEST = "manifest.sha256"


def flight_folders(inbox: Path) -> list[Path]:
    """The flights of an inbox: its sub-folders whose names do not begin with a dot."""
    try:
        return sorted(p for p in inbox.iterdir() if p.is_dir() and not p.name.startswith("."))
    except OSError as error:
        raise OutputError(f"cannot be read: {error.strerror}", where=inbox) from error


@dataclass(frozen=True)
class Fingerprint:
    """What decides whether a flight's work is new."""

    files: str  # names, sizes and times of all files below its folder
    work: str  # the same, with the config and the files it names elsewhere
    count: int
    manifests: tuple[Path, ...]
    changed_s: float  # newest change of a file or folder as the file system says, since 1970


def fingerprint(campaign: Campaign, folder: Path) -> Fingerprint:
    """Fingerprint of a flight, by looking at its files without reading them.

    Raises
    ------
    OSError
        The folder cannot be looked through, or changes while it is.
    """
    rows: list[tuple[bytes, int, int]] = []
    manifests = []
    changed_s = 0.0

    def refuse(error: OSError) -> None:
        raise error

    for where, folders, names in os.walk(folder, onerror=refuse):
        folders.sort()
        changed_s = max(changed_s, Path(where).stat().st_ctime)
        for name in names:
            path = Path(where, name)
            if name == ACKNOWLEDGED and path.parent == folder:
                continue  # a person's word about the flight, and no part of it
            seen = _seen(path)
            # A copy may keep the times of the camera's card; when it was changed here it cannot.
            changed_s = max(changed_s, seen.st_ctime)
            rows.append((os.fsencode(path.relative_to(folder)), seen.st_size, seen.st_mtime_ns))
            if name == MANIFEST:
                manifests.append(path)
    files = hashlib.sha256(repr(sorted(rows)).encode()).hexdigest()
    more: list[object] = [files]
    for path in campaign.outside_files(folder):
        with suppress(OSError, ValueError):
            seen = _seen(path)
            more.append((os.fsencode(path), seen.st_size, seen.st_mtime_ns))
    if campaign.own_config(folder) is None:
        more.append(campaign.template_digest())
    work = hashlib.sha256(repr(more).encode()).hexdigest()
    return Fingerprint(files, work, len(rows), tuple(sorted(manifests)), changed_s)


def results_of(run: Path | None) -> str:
    """Fingerprint of a run's files by their names and sizes; empty where there are none.

    A run that was cut short or lost a file after it was done has another one. What a run is to
    have, it knows itself: this only tells whether to ask.
    """
    if run is None:
        return ""
    rows = []
    for where, _, names in os.walk(run):
        for path in (Path(where, name) for name in names):
            with suppress(OSError):
                rows.append((os.fsencode(path.relative_to(run)), path.lstat().st_size))
    return hashlib.sha256(repr(sorted(rows)).encode()).hexdigest() if rows else ""


def _seen(path: Path) -> os.stat_result:
    try:
        return path.stat()
    except FileNotFoundError:
        return path.lstat()  # a link to nothing


def not_whole(folder: Path, manifests: tuple[Path, ...]) -> str:
    """The first thing in which a flight departs from its manifests; empty if nothing."""
    from pipeline.files import file_sha256
    from pipeline.read.manifest import read_manifest

    for manifest in manifests:
        if leads_out(manifest, folder):
            return f"{manifest.relative_to(folder)} is a link that leads out of the folder"
        try:
            for name, digest in read_manifest(manifest).items():
                path = manifest.parent / name
                if leads_out(path, folder):
                    return f"{name} in {manifest.relative_to(folder)} leads out of the folder"
                if not path.is_file():
                    return f"{name} is in {manifest.relative_to(folder)} but not there"
                if file_sha256(path) != digest:
                    return f"{name} differs from its digest in {manifest.relative_to(folder)}"
        except ReflectoryError as error:
            return str(error)
        except OSError as error:
            return f"{manifest.relative_to(folder)}: {error.strerror}"
    return ""
