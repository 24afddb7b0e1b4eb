"""What a flight in the inbox may read: its own folder, and what the campaign names."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from pipeline.config.named_files import named_values
from pipeline.errors import ConfigError


def require_inside(folder: Path, inbox: Path, allowed: Collection[Path]) -> None:
    """ConfigError where the flight's folder, or a link below it, leads out of it.

    Parameters
    ----------
    folder : the flight's, in the inbox
    allowed : real paths of files elsewhere that links may lead to

    Nothing is opened, and a link is refused whether something is there or not.
    """
    if not real_path(folder).is_relative_to(real_path(inbox)):
        raise _leads_out(folder, "is a link that leads out of the inbox")
    for path in _links(folder):
        if not _within(path, folder, allowed):
            raise _leads_out(path, "is a link that leads out of the flight's folder")


def require_named_inside(
    config: Path, table: Mapping[str, Any], folder: Path, allowed: Collection[Path]
) -> None:
    """ConfigError where a flight's own config names a file outside its folder.

    `table` is the parsed config. To be asked before a file of it is looked for: whether a foreign
    file is there is none of the flight's business.
    """
    flight = table.get("flight")
    below = flight.get("folder", ".") if isinstance(flight, dict) else "."
    raw = folder / below if isinstance(below, str) else folder
    if not _within(raw, folder, ()):
        raise _leads_out(config, "leads out of the flight's folder", "flight.folder")
    for key, value in named_values(table):
        # In the order in which the file is looked for.
        for place in (raw, folder) if key == "flight.flat" else (folder, raw):
            if not _within(place / value, folder, allowed):
                raise _leads_out(config, f"{value!r} leads out of the flight's folder", key)
            if (place / value).is_file():
                break


def named_by(table: Mapping[str, Any], base: Path) -> frozenset[Path]:
    """Real paths of the files that a campaign's own tables name."""
    return frozenset(real_path(base / value) for _, value in named_values(table))


def leads_out(path: Path, folder: Path) -> bool:
    """Whether a path below a folder is, by links or by its name, none of the folder's."""
    return not _within(path, folder, ())


def _within(path: Path, folder: Path, allowed: Collection[Path]) -> bool:
    real = real_path(path)
    return real.is_relative_to(real_path(folder)) or real in allowed


def real_path(path: Path) -> Path:
    """Where a path leads, all links followed."""
    try:
        # Unlike Path.resolve, no error for a loop of links: nobody can read one.
        return Path(os.path.realpath(path))
    except ValueError:
        return Path(path.anchor)  # no path at all, and inside of nothing


def _links(folder: Path) -> Iterator[Path]:
    for where, folders, files in os.walk(folder):
        entries: Iterable[str] = (*folders, *files)
        yield from (path for name in entries if (path := Path(where, name)).is_symlink())


def _leads_out(path: Path, what: str, key: str = "") -> ConfigError:
    where = f"{path}: {key}" if key else path
    return ConfigError(what, where=where, do="Put the file into the flight's folder")
