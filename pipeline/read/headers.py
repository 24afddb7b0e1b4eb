"""Headers of raw cubes: text of `key = value` lines, as keys and values."""

from __future__ import annotations

import os
import re
import tempfile
import warnings
from collections.abc import Mapping
from pathlib import Path

from spectral.io import envi

from pipeline.errors import InputError
from pipeline.files import read_bytes

#: What a file says of itself: keys in lower case, with one text or a list of them.
Words = Mapping[str, str | list[str]]

# A header holds a few numbers a band; far beyond that it is something else.
_HEADER_BYTES = 4 << 20
_HEADER_LINES = 20_000


def read_words(path: Path) -> Words:
    """The keys and values of a header.

    Its first line may say anything, such as a recorder's name; where it is a `key = value` line
    already, it counts as one. Raises InputError: not there, not a regular file, too large, not
    text, a list that is not closed.
    """
    raw = read_bytes(path, _HEADER_BYTES)
    if raw.count(b"\n") + raw.count(b"\r") > _HEADER_LINES:
        raise InputError(f"too large for a header: more than {_HEADER_LINES} lines", where=path)
    if b"\0" in raw:
        raise InputError("not a text header: it holds zero bytes", where=path)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    # The parser opens its file in the locale's encoding, so it is handed plain ASCII.
    plain = text.replace("\u00b5", "u").replace("\u03bc", "u").encode("ascii", "replace")
    try:
        with tempfile.TemporaryFile() as copy, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            copy.write(_titled(plain))
            copy.flush()
            copy.seek(0)
            table = envi.read_envi_header(os.dup(copy.fileno()))
    except envi.EnviException:
        raise InputError("a list in the header is not closed by a brace", where=path) from None
    except OSError as error:
        raise InputError(f"cannot be parsed: {error}", where=path) from None
    return {key.lower(): value for key, value in table.items()}


def _titled(text: bytes) -> bytes:
    """The text with the one first line that the parser takes."""
    first, end, rest = text.partition(b"\n")
    return b"ENVI\n" + (text if b"=" in first else end and rest)


def text_of(words: Words, key: str, path: Path, default: str | None = None) -> str:
    """A single value; a list of one counts as one."""
    value = words.get(key, default)
    if value is None:
        raise InputError(f"the header has no {key!r}", where=path)
    if isinstance(value, list):
        if len(value) != 1:
            raise InputError(f"{key!r} has {len(value)} values; expected one", where=path)
        value = value[0]
    return value.strip()


def count_of(words: Words, key: str, path: Path, least: int = 1, default: str | None = None) -> int:
    """A whole number of at least `least`."""
    text = text_of(words, key, path, default)
    if not re.fullmatch("[0-9]{1,18}", text) or int(text) < least:
        raise InputError(
            f"{key!r} is {text[:40]!r}; expected a whole number from {least}", where=path
        )
    return int(text)
