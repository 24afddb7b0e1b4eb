"""Lists of digests that came with an offload."""

from __future__ import annotations

import re
from pathlib import Path, PurePosixPath

from pipeline.errors import InputError
from pipeline.files import read_bytes

_MANIFEST_BYTES = 50_000_000

_PLAIN = re.compile(r"(\\?)([0-9a-fA-F]{64}) [ *](.+)")
_TAGGED = re.compile(r"(\\?)SHA256 \((.+)\) = ([0-9a-fA-F]{64})")


def read_manifest(path: Path) -> dict[str, str]:
    """Read a list of SHA-256 digests as `sha256sum` writes it, plain or with `--tag`.

    Returns
    -------
    relative path to digest in lower case, in the file's order

    Raises
    ------
    InputError
        Naming the line: not of that form, a path that is absolute or climbs out, one path with
        two digests; or the file is unreadable, empty, not UTF-8 or larger than 50 MB.
    """
    path = Path(path)
    try:
        text = read_bytes(path, _MANIFEST_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("not UTF-8 text", where=path) from None
    digests: dict[str, str] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        line = line.removesuffix("\r")
        if not line:
            continue
        if match := _PLAIN.fullmatch(line):
            escaped, digest, name = match.groups()
        elif match := _TAGGED.fullmatch(line):
            escaped, name, digest = match.groups()
        else:
            raise InputError(
                "expected 64 hexadecimal digits, a blank, a blank or *, and a path",
                where=path,
                line=number,
            )
        if escaped:
            name = re.sub(r"\\([nr\\])", lambda m: {"n": "\n", "r": "\r", "\\": "\\"}[m[1]], name)
        listed = PurePosixPath(name)
        if listed.is_absolute() or ".." in listed.parts or "\0" in name or not listed.parts:
            raise InputError(f"the path {name!r} leaves its folder", where=path, line=number)
        if digests.setdefault(str(listed), digest.lower()) != digest.lower():
            raise InputError(f"{name!r} has two digests", where=path, line=number)
    if not digests:
        raise InputError("the list is empty", where=path)
    return digests
