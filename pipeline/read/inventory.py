"""What a flight's folder holds, and what is missing."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath

from pipeline.config.flight import Config
from pipeline.errors import ConfigError, InputError
from pipeline.files import file_sha256
from pipeline.read.data_files import header_beside
from pipeline.read.manifest import read_manifest
from pipeline.read.order import in_order
from pipeline.read.reader import bytes_missing, require_whole
from pipeline.read.registry import capture_name, describe
from pipeline.read.stamp import Stamp, first_look
from pipeline.records import Capture

#: Name under which a manifest is found in the flight's folder.
MANIFEST = "manifest.sha256"


@dataclass(frozen=True, eq=False)
class Inventory:
    """The captures of a flight, those that cannot be used apart."""

    cubes: tuple[Capture, ...]  # usable ones, in order of the patterns, then of their names
    refused: Mapping[str, InputError]  # cube's stem to why
    torn: Mapping[str, tuple[int, int]]  # refused for their size: bytes on disk, bytes claimed
    darks: tuple[Capture, ...]
    flat: Capture | None
    cube_paths: Mapping[str, Path]  # cube's stem to where it is described, of refused ones too
    line_times: Mapping[Path, Path]  # a cube's or a dark's header to its table
    manifest_problems: tuple[str, ...] | None  # None: there is no manifest
    manifest: Mapping[Path, str]  # SHA-256 that the manifest lists for each file that is there
    manifest_path: Path | None
    stamps: Mapping[Path, Stamp]  # of every file found here, from before it was read

    def line_times_path(self, capture: Capture) -> Path | None:
        """The table of a cube's or a dark's line times; None when it has none."""
        return self.line_times.get(capture.header)


def take_inventory(config: Config, *, digests: bool = False) -> Inventory:
    """Find and describe the captures that a config speaks of, without reading their counts.

    Parameters
    ----------
    config : as `load_config` gives it, with absolute paths
    digests : compute the digest of every file in the manifest; else only their presence is seen

    Raises
    ------
    ConfigError
        A pattern is absolute, climbs out or matches no header; a template of line times does not
        name the stem.
    InputError
        The folder is unreadable, two cubes share a stem, a dark or the flat is not usable, or
        no cube is. A single bad cube is listed in `refused` instead.
    """
    _entries(config.flight.folder)
    flat_path, dark_paths, cube_paths = _paths(config)
    look = _Look(config)
    manifest_path = _manifest_path(config)
    if manifest_path is not None:
        look.stamps[manifest_path] = first_look(manifest_path)
    cubes = look.cubes(cube_paths)
    problems, listed = _manifest(config, digests)
    return Inventory(
        cubes=tuple(cubes),
        refused=look.refused,
        torn=look.torn,
        darks=tuple(map(look.dark, dark_paths)),
        flat=look.whole(flat_path) if flat_path else None,
        cube_paths={_shown_name(path): path for path in cube_paths},
        line_times=look.line_times,
        manifest_problems=problems,
        manifest=listed,
        manifest_path=manifest_path,
        stamps=look.stamps,
    )


def _paths(config: Config) -> tuple[Path | None, list[Path], list[Path]]:
    """Where the flat, the darks and the cubes are described; no cube is one of the others."""
    flight = config.flight
    flat = _flat_path(config)
    darks = [p for p in _matches(config, "flight.darks", flight.darks) if p != flat]
    apart = {*darks, flat}
    cubes = [p for p in _matches(config, "flight.cubes", flight.cubes) if p not in apart]
    if not cubes:
        raise ConfigError(
            "matches nothing that is not a dark or the flat", where=_at(config, "flight.cubes")
        )
    _refuse_same_stems(cubes)
    return flat, darks, cubes


class _Look:
    """One look at a flight's captures, and what was found on the way."""

    def __init__(self, config: Config) -> None:
        self.config = config
        self.stamps: dict[Path, Stamp] = {}
        self.line_times: dict[Path, Path] = {}
        self.refused: dict[str, InputError] = {}
        self.torn: dict[str, tuple[int, int]] = {}

    def cubes(self, paths: Iterable[Path]) -> list[Capture]:
        """The usable cubes; InputError where none is."""
        found = []
        for path in paths:
            try:
                found.append(self._cube(path))
            except InputError as error:
                self.refused[_shown_name(path)] = error
        if not found:
            first = next(iter(self.refused.values()))
            raise InputError(
                f"no cube can be used: {first.what}",
                where=first.where,
                line=first.line,
                column=first.column,
                do=first.do,
            )
        return found

    def _cube(self, path: Path) -> Capture:
        capture = self._described(path)
        missing = bytes_missing(capture)
        if missing:
            self.torn[capture.name] = (capture.claimed_bytes - missing, capture.claimed_bytes)
        require_whole(capture)
        if self.config.flight.line_times is not None and not self._take_line_times(capture):
            name = self.config.flight.line_times.replace("{stem}", capture.name)
            raise InputError("no such table of line times", where=self.config.flight.folder / name)
        return capture

    def dark(self, path: Path) -> Capture:
        """A dark capture; a table of its own line times is taken where there is one."""
        capture = self.whole(path)
        self._take_line_times(capture)
        return capture

    def whole(self, path: Path) -> Capture:
        """A capture whose data have their full size."""
        capture = self._described(path)
        require_whole(capture)
        return capture

    def _described(self, path: Path) -> Capture:
        _require_plain_name(path, self.config.flight.folder)
        # All that may be read to describe it: of a folder its frames.
        for file in filter(Path.is_file, _entries(path)) if path.is_dir() else [path]:
            self.stamps[file] = first_look(file)
        capture = describe(path, self.config.sensor, self.config.flight.frames)
        for file in capture.files:
            if file not in self.stamps:
                self.stamps[file] = first_look(file)
        return capture

    def _take_line_times(self, capture: Capture) -> bool:
        table = _line_times(self.config, capture.name)
        if table is None:
            return False
        self.line_times[capture.header] = table
        self.stamps[table] = first_look(table)
        return True


def _at(config: Config, key: str) -> str:
    return f"{config.path}: {key}"


def _entries(folder: Path) -> list[Path]:
    """What lies in a folder. Globbing an unreadable one finds nothing and says nothing."""
    try:
        return list(folder.iterdir())
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=folder) from None


def _matches(config: Config, key: str, patterns: Iterable[str]) -> list[Path]:
    """Captures that match, in order of the patterns and then of their names."""
    folder = config.flight.folder
    found: dict[Path, None] = {}
    for pattern in patterns:
        pure = PurePath(pattern)
        if pure.is_absolute() or ".." in pure.parts or not pure.parts:
            raise ConfigError(
                f"the pattern {pattern!r} leaves flight.folder", where=_at(config, key)
            )
        try:
            # Hidden files beside the real ones are another system's notes.
            hidden = pure.name.startswith(".")
            there = [p for p in folder.glob(pattern) if hidden or not p.name.startswith(".")]
            captures = _captures(there, frames=config.flight.frames is not None)
        except (OSError, ValueError, NotImplementedError, re.error) as error:
            raise ConfigError(
                f"the pattern {pattern!r} cannot be used: {error}", where=_at(config, key)
            ) from None
        if not captures:
            kinds = "header (.hdr), raster or folder of frames" if there else "file"
            raise ConfigError(
                f"the pattern {pattern!r} matches no {kinds} in {folder}",
                where=_at(config, key),
            )
        found.update(dict.fromkeys(in_order(captures)))
    return list(found)


def _captures(paths: list[Path], *, frames: bool) -> list[Path]:
    """What stands for a capture among the paths that match a pattern: headers, else the folders
    of frames, else raster files; a data file stands for its header."""
    headers = [path for path in paths if path.suffix.lower() == ".hdr"]
    folders = [path for path in paths if frames and path.is_dir()]
    if headers or folders:
        return headers or folders
    return [header_beside(path) or path for path in paths if not path.is_dir()]


def _flat_path(config: Config) -> Path | None:
    flight = config.flight
    if flight.flat is None:
        return None
    for folder in (flight.folder, config.path.absolute().parent):
        try:
            if (folder / flight.flat).is_file() or (
                flight.frames is not None and (folder / flight.flat).is_dir()
            ):
                return folder / flight.flat
        except (OSError, ValueError):
            continue
    raise ConfigError(
        f"no such file: {flight.folder / flight.flat}", where=_at(config, "flight.flat")
    )


def _refuse_same_stems(paths: Iterable[Path]) -> None:
    seen: dict[str, Path] = {}
    for path in paths:
        first = seen.setdefault(capture_name(path), path)
        if first != path:
            raise InputError(
                f"has the same stem as {first}", where=path, do="Rename one; results go by the stem"
            )


def _require_plain_name(header: Path, folder: Path) -> None:
    """InputError for a name that results, which go by it, could not have."""
    name = header.relative_to(folder) if header.is_relative_to(folder) else header.name
    if "\\" in header.name:
        # The netCDF library takes it for a separator of folders.
        raise InputError("its name holds a backslash", where=header, do="Rename the capture")
    if any("\ud800" <= c <= "\udfff" for c in str(name)):
        raise InputError("its name is not UTF-8 text", where=header, do="Rename the capture")


def _shown_name(path: Path) -> str:
    """A capture's name as text; one that is none is shown by its bytes."""
    return capture_name(path).encode("utf-8", "backslashreplace").decode()


def _line_times(config: Config, stem: str) -> Path | None:
    """The table of a capture's line times, beside the config or in the flight's folder."""
    template = config.flight.line_times
    if template is None:
        return None
    where = _at(config, "flight.line_times")
    if "{stem}" not in template:
        raise ConfigError(f"{template!r} does not name {{stem}}", where=where)
    pure = PurePath(template)
    if pure.is_absolute() or ".." in pure.parts:
        raise ConfigError(f"{template!r} leaves its folder", where=where)
    name = template.replace("{stem}", stem)
    for folder in (config.path.absolute().parent, config.flight.folder):
        try:
            if (folder / name).is_file():
                return folder / name
        except (OSError, ValueError):
            continue
    return None


def _manifest_path(config: Config) -> Path | None:
    """The manifest that the config names, or that lies in the flight's folder."""
    found = config.flight.folder / MANIFEST
    return config.flight.manifest or (found if found.is_file() else None)


def _manifest(config: Config, digests: bool) -> tuple[tuple[str, ...] | None, dict[Path, str]]:
    """What is wrong with the listed files, None without a manifest; and those that are there."""
    folder = config.flight.folder
    manifest = _manifest_path(config)
    if manifest is None:
        return None, {}
    problems = []
    listed: dict[Path, str] = {}
    for name, digest in read_manifest(manifest).items():
        try:
            places = [base / name for base in (manifest.parent, folder) if (base / name).is_file()]
            if not places:
                problems.append(f"{name}: missing")
                continue
            listed[places[0]] = digest
            if digests and file_sha256(places[0]) != digest:
                problems.append(f"{name}: another digest")
        except OSError as error:
            problems.append(f"{name}: cannot be read: {error.strerror}")
        except InputError as error:
            problems.append(f"{name}: {error.what}")
    return tuple(problems), listed
