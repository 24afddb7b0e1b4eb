"""Digests of inputs from earlier runs, trusted while the files' stamps are the same."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import astuple
from pathlib import Path
from typing import Any

from pipeline.calibrate.input_manifest import InputFile
from pipeline.write.small_file import write_text

_FILES, _CHECK = "files", "sha256 of files"


class DigestMemory:
    """A small file beside the runs of a flight; a damaged one is an empty one."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._known: dict[str, tuple[str, str]] = {}
        with suppress(OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
            document = json.loads(path.read_bytes())
            rows = document[_FILES]
            if document[_CHECK] == _digest(rows):
                self._known = {name: (row[0], row[1]) for name, row in rows.items()}

    def recall(self, files: Iterable[InputFile]) -> dict[Path, str]:
        """Digests of those files that are what they were when they were remembered."""
        found = {}
        for file in files:
            entry = self._known.get(str(file.path))
            if entry is not None and entry[0] == _stamps(file):
                found[file.path] = entry[1]
        return found

    def remember(self, files: Iterable[InputFile]) -> None:
        """Add the files of known digest and save; a memory that cannot be saved is no loss.

        Each is remembered by the stamp of the first look: one that has changed since it was read
        must not pass for what was read.
        """
        for file in files:
            if file.sha256:
                self._known[str(file.path)] = (_stamps(file), file.sha256)
        text = json.dumps({_CHECK: _digest(self._known), _FILES: self._known})
        with suppress(OSError):
            self.path.parent.mkdir(parents=True, exist_ok=True)
            write_text(self.path, text)

    @property
    def sha256_of(self) -> dict[Path, str]:
        """Digests by place, whatever has become of the files since."""
        return {Path(path): sha256 for path, (_, sha256) in self._known.items()}


def _stamps(file: InputFile) -> str:
    """All that a file's stamps say, its parts in order; short for a thousand of them too."""
    return _digest([(str(path), *astuple(stamp)) for path, stamp in file.stamps])


def _digest(known: Any) -> str:
    return hashlib.sha256(json.dumps(known, sort_keys=True).encode()).hexdigest()
