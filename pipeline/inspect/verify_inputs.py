"""Whether the inputs that a run was made from are still what they were.

A record may come from anywhere, and so may what it names: a name is followed into the flight's own
folder, into folders that the user gives, and to files that the digests kept beside the runs
remember. Elsewhere nothing is opened, and the finding says so.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path, PurePosixPath

from pipeline.calibrate.digest_memory import DigestMemory
from pipeline.foreign import one_line
from pipeline.inspect.finding import Finding
from pipeline.write.checksums import sha256_of
from pipeline.write.provenance import Input
from pipeline.write.run_record import RunRecord

#: Keys of a config's [flight] that name files.
_FILES = ("track", "regions", "irradiance", "manifest")


def check_inputs(
    run: Path, record: RunRecord, *, digests: bool, folders: Sequence[Path]
) -> Iterator[Finding]:
    """Every input of the record, where the run took it from.

    Parameters
    ----------
    run : the run's folder, absolute
    digests : read each input again; else its presence and size are enough
    folders : more folders in which inputs may lie, or that their names are relative to
    """
    kept = {
        _plain(path): sha256
        for path, sha256 in DigestMemory(run.parent / ".kept" / "digests.json").sha256_of.items()
    }
    given = [_plain(Path.cwd() / folder) for folder in folders]
    spelled = {i: _spellings(i.name, record) for i in record.inputs}

    def places(root: Path, item: Input) -> list[Path]:
        """Where an input may lie and be looked at."""
        paths = [_plain(root / name) for name in spelled[item]]
        allowed = (root, *given)
        return [
            path
            for path in paths
            if any(map(path.is_relative_to, allowed)) or kept.get(path) == item.sha256
        ]

    def there(root: Path) -> int:
        return sum(any(map(_is_file, places(root, item))) for item in spelled)

    # One place for all: a file of another copy of the flight must not stand in for one gone.
    implied = _roots(run, record, kept)
    root = next(filter(there, implied), implied[0])
    root = max((*given, root), key=there)
    for item in record.inputs:
        open_to_us = places(root, item)
        found = next(filter(_is_file, open_to_us), None)
        if found is not None:
            yield _finding(item, found, digests)
            continue
        what = f"input gone: not below {root}"
        if len(open_to_us) < len(spelled[item]):
            what = f"input not below {root}, and not looked for elsewhere: --inputs names a folder"
        yield Finding(one_line(item.name), one_line(what), False)


def _finding(item: Input, path: Path, digests: bool) -> Finding:
    shown = one_line(item.name)
    try:
        size = path.stat().st_size
        if size != item.bytes:
            was = f"{size} bytes, {item.bytes} when it ran"
            return Finding(shown, f"input changed: {was}", False)
        same = not digests or sha256_of(path) == item.sha256
    except OSError as error:
        return Finding(shown, f"input cannot be read: {error.strerror}", False)
    what = "unchanged" if digests else "there, with its size"
    return Finding(shown, f"input {what if same else 'changed: another SHA-256'}", same)


def _plain(path: Path) -> Path:
    """A path with its steps up taken."""
    return Path(os.path.normpath(path))


def _is_file(path: Path) -> bool:
    """Whether a regular file is there: no device, no pipe, which would never end."""
    with suppress(OSError, ValueError):
        return path.is_file()
    return False


def _spellings(name: str, record: RunRecord) -> list[str]:
    """Where an input may lie: below the config, below the flight's folder, or as the config
    spells a file outside both, which a record knows by its last name."""
    flight, panels = record.config.get("flight"), record.config.get("panel")
    flight = flight if isinstance(flight, dict) else {}
    values = [p.get("certificate") for p in panels or () if isinstance(p, dict)]
    values += [flight.get(key) for key in _FILES]
    named = (v for v in values if isinstance(v, str) and PurePosixPath(v).name == name)
    return [name, f"{flight.get('folder', '.')}/{name}", *named]


def _roots(run: Path, record: RunRecord, kept: dict[Path, str]) -> list[Path]:
    """Folders that inputs' names may be relative to, the likeliest first.

    The one from which `output.folder` leads here; what the kept digests remember.
    """
    roots: list[Path] = []
    with suppress(OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError):
        table = tomllib.loads((run / "config.toml").read_text("utf-8"))
        output = table.get("output", {})
        folder = output.get("folder", "results") if isinstance(output, dict) else "results"
        place, steps = run.parent.parent, PurePosixPath(str(folder)).parts
        inside = not {"..", "/"} & set(steps)
        if inside and place.parts[len(place.parts) - len(steps) :] == steps:
            roots.append(Path(*place.parts[: len(place.parts) - len(steps)]))
    where = {sha256: path for path, sha256 in kept.items()}
    for item in record.inputs:
        path = where.get(item.sha256)
        if path is not None and path.as_posix().endswith(f"/{item.name}"):
            roots.append(Path(path.as_posix().removesuffix(f"/{item.name}")))
    return list(dict.fromkeys(roots)) or [run.parent.parent.parent]
