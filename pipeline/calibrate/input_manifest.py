"""The input manifest: every file that a run of a flight reads, found once.

Run id, kept measurement, provenance and the memory of digests take their files from here, and
stages take their paths from the inventory and the config that it was made of. What is read and
stands not here is a defect, and `tests/flight/test_every_file_read.py` looks for it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import nullcontext, suppress
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Literal, get_args

from pipeline.calibrate.recording import usable
from pipeline.config.flight import Config
from pipeline.config.named_files import TableRole, named_tables
from pipeline.errors import InputError
from pipeline.files import file_sha256
from pipeline.read.inventory import Inventory, take_inventory
from pipeline.read.stamp import Stamp, first_look, stamp_of
from pipeline.records import Capture

RawRole = Literal["cube", "dark", "flat"]
Role = RawRole | TableRole | Literal["header", "line times", "manifest"]


@dataclass(frozen=True)
class InputFile:
    """A file that a run reads, as it was before any of it was read.

    Counts that lie in many files, a line each, are one input: their folder.
    """

    path: Path
    name: str  # in provenance
    role: Role
    cube: str  # stem of the cube that alone needs it; empty where all of the run does
    stamps: tuple[tuple[Path, Stamp], ...]  # of the file; of each one in the folder
    sha256: str | None = None  # None: not read to its end yet

    @property
    def bytes(self) -> int:
        """Size of all of it."""
        return sum(stamp.bytes for _, stamp in self.stamps)

    @property
    def raw(self) -> bool:
        """Whether it holds counts, and is so large that it is digested as it is calibrated."""
        return self.role in get_args(RawRole)

    def changed(self) -> InputError | None:
        """What became of the file since the first look; None while it is the same."""
        for path, stamp in self.stamps:
            try:
                what = "changed" if stamp_of(path) != stamp else ""
            except InputError as error:
                what = f"changed, {error.what}"
            if what:
                return InputError(
                    f"{what} while the work went on",
                    where=path,
                    do="Wait until it is copied whole, and run again",
                )
        return None


@dataclass(frozen=True)
class InputManifest:
    """Every file that a run reads, in order of their names, and the inventory behind it."""

    found: Inventory  # all captures that are there, cubes unlike the first among them
    refused: frozenset[str]  # cubes of which the header alone is read
    files: tuple[InputFile, ...]

    def __iter__(self) -> Iterator[InputFile]:
        return iter(self.files)

    @cached_property
    def by_path(self) -> Mapping[Path, InputFile]:
        """Each file by its path."""
        return {file.path: file for file in self.files}

    @property
    def shared(self) -> tuple[InputFile, ...]:
        """The files that all of the run needs."""
        return self.of_cube("")

    def of_cube(self, name: str) -> tuple[InputFile, ...]:
        """The files that one cube alone needs: counts, header, line times."""
        return tuple(file for file in self.files if file.cube == name)

    @property
    def complete(self) -> bool:
        """Whether the digest of every file is known."""
        return all(file.sha256 for file in self.files)

    @property
    def sha256_of(self) -> dict[Path, str]:
        """SHA-256 by path of those that were read to their end."""
        return {file.path: file.sha256 for file in self.files if file.sha256}

    def with_digests(self, sha256_of: Mapping[Path, str]) -> InputManifest:
        """The same with more digests; those of no file in it are left out."""
        files = (replace(f, sha256=sha256_of.get(f.path, f.sha256)) for f in self.files)
        return replace(self, files=tuple(files))

    def without_lost(self, cubes: Iterable[str]) -> InputManifest:
        """Without the files of cubes that were refused meanwhile, as far as they changed or were
        not read to their end."""
        lost = set(cubes)
        files = (f for f in self.files if f.cube not in lost or (f.sha256 and not f.changed()))
        return replace(self, files=tuple(files))


def require_unchanged(files: Iterable[InputFile]) -> None:
    """InputError where one has changed since the first look; to be asked after the last reading."""
    for file in files:
        error = file.changed()
        if error is not None:
            raise error


def take_inputs(
    config: Config, recall: Callable[[Iterable[InputFile]], Mapping[Path, str]] | None = None
) -> InputManifest:
    """Find every file that a run of this config reads; tables and headers are digested at once.

    Parameters
    ----------
    recall : gives the digests of raw files that are known from an earlier run

    Raises
    ------
    ReflectoryError
        As `take_inventory`; a file that the config names cannot be read.
    """
    # Before any of them is read: one is asked for as the captures are described.
    tables = [_one_file(path, role, first_look(path)) for role, path in named_tables(config)]
    found = take_inventory(config)
    inventory = usable(found)
    refused = frozenset(inventory.refused)
    files = _digested(_named(config, [*tables, *_recorded(inventory)]), refused)
    in_order = sorted(files, key=lambda file: file.name)
    manifest = InputManifest(found, refused, tuple(in_order))
    if recall is None:
        return manifest
    return manifest.with_digests(recall(file for file in manifest if file.raw))


def _one_file(path: Path, role: Role, stamp: Stamp, cube: str = "") -> InputFile:
    """A file whose name is not given yet."""
    return InputFile(path, "", role, cube, ((path, stamp),))


def _recorded(inventory: Inventory) -> Iterator[InputFile]:
    """What the inventory found, some of it more than once, its names not given yet."""
    stamps = inventory.stamps

    def file(path: Path, role: Role, cube: str = "") -> InputFile:
        return _one_file(path, role, stamps[path], cube)

    def files(capture: Capture, role: Role, cube: str = "") -> Iterator[InputFile]:
        parts = tuple((path, stamps[path]) for path in capture.files)
        yield InputFile(capture.data, "", role, cube, parts)
        if capture.header not in capture.files:
            yield file(capture.header, "header", cube)
        table = inventory.line_times_path(capture)
        if table is not None:
            yield file(table, "line times", cube)

    if inventory.manifest_path is not None:
        yield file(inventory.manifest_path, "manifest")
    for dark in inventory.darks:
        yield from files(dark, "dark")
    if inventory.flat is not None:
        yield from files(inventory.flat, "flat")
    for cube in inventory.cubes:
        yield from files(cube, "cube", cube.name)
    # A header that was read and made its cube be refused has its part in the result too.
    for name, path in inventory.cube_paths.items():
        if name in inventory.refused and path in inventory.stamps and path.suffix == ".hdr":
            yield file(path, "header", name)


def _named(config: Config, files: Iterable[InputFile]) -> Iterator[InputFile]:
    """Each file once, the first time it is met, under a name of its own."""
    names: dict[str, Path] = {}
    met: set[Path] = set()
    for file in files:
        if file.path in met:
            continue
        met.add(file.path)
        name = input_name(config, file.path)
        # Two folders may hold files of one name; the second one goes by its whole path.
        if names.setdefault(name, file.path) != file.path:
            name = file.path.as_posix()
        yield replace(file, name=name)


def _digested(files: Iterable[InputFile], refused: Collection[str]) -> Iterator[InputFile]:
    for file in files:
        if file.raw:
            yield file
            continue
        # What cannot be read of a refused cube was not read.
        with suppress(InputError) if file.cube in refused else nullcontext():
            yield replace(file, sha256=file_sha256(file.path))


def input_name(config: Config, path: Path) -> str:
    """A file's name in provenance: relative to the config, so that a moved flight is the same."""
    base = config.path.absolute().parent
    for folder in (base, config.flight.folder):
        with suppress(ValueError):
            return path.relative_to(folder).as_posix()
    # An absolute path of the config's own; its last part alone may stand for two files.
    return path.as_posix()
