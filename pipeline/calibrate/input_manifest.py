"""What a run is made of: its inputs' digests, its id, and whether it is already done."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path

from pipeline.config.flight import Config
from pipeline.read.inventory import Inventory
from pipeline.version import __version__
from pipeline.write.publish import write_text

#: Characters of a run id: enough for any number of runs of one flight.
ID_LENGTH = 12
_KEPT = ".kept"


def flight_folder(config: Config) -> Path:
    """Folder of all runs of the flight."""
    return config.output.folder / config.flight.name


def kept_folder(config: Config) -> Path:
    """Folder beside the runs for what one run leaves to the next."""
    return flight_folder(config) / _KEPT


def input_name(config: Config, path: Path) -> str:
    """An input's name in provenance: relative to the config, so that a moved flight is the same."""
    base = config.path.absolute().parent
    for folder in (base, config.flight.folder):
        with suppress(ValueError):
            return path.relative_to(folder).as_posix()
    # An absolute path of the config's own; its last part alone may stand for two files.
    return path.as_posix()


def small_inputs(config: Config, inventory: Inventory) -> list[Path]:
    """Every input but the raw files: headers, tables, certificates, in order of their paths."""
    flight = config.flight
    paths = {panel.certificate for panel in config.panel}
    tables = (flight.track, flight.regions, flight.irradiance, config.sensor.linearity)
    paths |= {p for p in tables if p}
    paths |= {inventory.manifest_path} if inventory.manifest_path is not None else set()
    paths |= {c.header for c in (*inventory.cubes, *inventory.darks)}
    paths |= set(inventory.line_times.values())
    if inventory.flat is not None:
        paths.add(inventory.flat.header)
    return sorted(paths)


def raw_inputs(inventory: Inventory) -> list[Path]:
    """The raw files of all usable captures."""
    captures = [*inventory.cubes, *inventory.darks]
    captures += [inventory.flat] if inventory.flat is not None else []
    return [c.data for c in captures]


def run_id(config: Config, digests: Mapping[str, str], refused: Mapping[str, object]) -> str:
    """Id of the work: config, inputs by content, and software version decide it, nothing else."""
    work = {
        "config": config.work,
        "inputs": dict(sorted(digests.items())),
        "refused": sorted(refused),
        "version": __version__,
    }
    text = json.dumps(work, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:ID_LENGTH]


class DigestMemory:
    """Digests of raw files seen before, trusted while path, size, time and inode are the same."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._known: dict[str, list[object]] = {}
        self._asked: dict[Path, list[object]] = {}
        with suppress(OSError, ValueError):
            table = json.loads(path.read_text())
            if isinstance(table, dict):
                self._known = table

    @staticmethod
    def _stamp(path: Path) -> list[object]:
        if path.is_dir():  # a cube of one file a line
            inner = {p.name: DigestMemory._stamp(p) for p in sorted(path.iterdir())}
            return [len(inner), hashlib.sha256(json.dumps(inner).encode()).hexdigest(), 0]
        seen = path.stat()
        return [seen.st_size, seen.st_mtime_ns, seen.st_ino]

    def recall(self, paths: Iterable[Path]) -> dict[Path, str]:
        """Digests of those files that have not changed since they were remembered."""
        found = {}
        for path in paths:
            entry = self._known.get(str(path))
            with suppress(OSError):
                stamp = self._stamp(path)
                self._asked.setdefault(path, stamp)
                if isinstance(entry, list) and len(entry) == 4 and entry[:3] == stamp:
                    found[path] = str(entry[3])
        return found

    def remember(self, digests: Mapping[Path, str]) -> None:
        """Add digests and save; a memory that cannot be saved is no loss.

        A file that was asked for earlier is remembered as it was then: one that has changed since
        it was read must not pass for what was read.
        """
        for path, sha256 in digests.items():
            with suppress(OSError):
                stamp = self._asked.get(path) or self._stamp(path)
                self._known[str(path)] = [*stamp, sha256]
        with suppress(OSError):
            self.path.parent.mkdir(parents=True, exist_ok=True)
            write_text(self.path, json.dumps(self._known))


def finished_runs(folder: Path) -> list[Path]:
    """Finished runs of a flight, oldest first."""
    with suppress(OSError):
        runs = [p for p in folder.iterdir() if (p / "run.json").is_file() and p.name[0] != "."]
        return sorted(runs, key=lambda p: ((p / "run.json").stat().st_mtime_ns, p.name))
    return []


def with_raw(
    config: Config, inventory: Inventory, digests: Mapping[str, str], memory: DigestMemory
) -> dict[str, str] | None:
    """All inputs' digests, the raw files' from memory; None where one is not remembered."""
    raws = raw_inputs(inventory)
    known = memory.recall(raws)
    if len(known) < len(raws):
        return None
    return {**digests, **{input_name(config, p): sha for p, sha in known.items()}}
