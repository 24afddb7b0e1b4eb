"""`checksums.sha256` of a run: what `sha256sum -c` reads, whatever a file is called."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from pipeline.files import sha256_to_end

CHECKSUMS = "checksums.sha256"

_MARK = "\\"
_LINE = re.compile(r"(\\?)([0-9a-f]{64})  (.+)", re.DOTALL)
_ESCAPES = {"\\": "\\\\", "\n": "\\n", "\r": "\\r"}
_ESCAPED = re.compile(r"\\(.)", re.DOTALL)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb", buffering=0) as file:
        return sha256_to_end(file)


def is_inside(name: str) -> bool:
    """Whether a name leads to a file below the folder that it is relative to, and nowhere else."""
    parts = PurePosixPath(name).parts
    return bool(parts) and not name.startswith("/") and ".." not in parts and "\0" not in name


def escaped(name: str) -> str:
    """A name in one line: backslash, line feed and carriage return behind a backslash."""
    return "".join(_ESCAPES.get(c, c) for c in name)


def checksum_line(sha256: str, name: str) -> str:
    """A file's line, without its end.

    As the coreutils have it: where the name had to be escaped, the line begins with a backslash.
    """
    shown = escaped(name)
    return f"{'' if shown == name else _MARK}{sha256}  {shown}"


def parse_line(line: str) -> tuple[str, str] | None:
    """Name and SHA-256 of a line; None where it is no such line."""
    match = _LINE.fullmatch(line)
    if match is None:
        return None
    mark, sha256, name = match.groups()
    if not mark:
        return name, sha256
    plain = {shown[1]: c for c, shown in _ESCAPES.items()}
    if any(m[1] not in plain for m in _ESCAPED.finditer(name)):
        return None
    return _ESCAPED.sub(lambda m: plain[m[1]], name), sha256


def checksums_text(sha256_of_file: Mapping[str, str]) -> str:
    """The list of a run's files, in the mapping's order."""
    return "".join(f"{checksum_line(sha, name)}\n" for name, sha in sha256_of_file.items())


def read_lines(path: Path) -> list[str]:
    """The lines of a list; OSError where it cannot be read."""
    text = path.read_bytes().decode("utf-8", "surrogateescape")
    return text.removesuffix("\n").split("\n") if text else []
