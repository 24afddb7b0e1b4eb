"""One way to open a file: it must be a regular one.

A pipe, a device or a socket under a file's name would block for ever or never end.
"""

from __future__ import annotations

import errno
import hashlib
import io
import os
import stat
from pathlib import Path

from pipeline.errors import InputError, ReflectoryError

_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)
#: A digest takes so many bytes at a time: between two a thread may have to wait for the others.
_PART_BYTES = 4 * 2**20
_ABSENT = (errno.ENOENT, errno.ENOTDIR)


def open_descriptor(path: Path, *, error: type[ReflectoryError] = InputError) -> int:
    """A descriptor to read a regular file by; the caller closes it.

    Raises `error` where there is no such file, it is no regular one, or it cannot be opened.
    """
    try:
        # Looked at first, for opening a device can do something; and again, for it is another
        # file's name that may have come between.
        _require_regular(os.stat(path), path, error)  # noqa: PTH116
        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY)
    except OSError as why:
        if why.errno in _ABSENT:
            raise error("no such file", where=path) from None
        raise error(f"cannot be read: {why.strerror}", where=path) from None
    except ValueError as why:
        raise error(f"cannot be read: {why}", where=path) from None
    try:
        _require_regular(os.fstat(fd), path, error)
    except BaseException:
        os.close(fd)
        raise
    return fd


def open_regular(path: Path, *, error: type[ReflectoryError] = InputError) -> io.BufferedReader:
    """A regular file, open to be read as bytes; raises as `open_descriptor`."""
    return io.BufferedReader(io.FileIO(open_descriptor(path, error=error)))


def read_bytes(path: Path, most: int, *, error: type[ReflectoryError] = InputError) -> bytes:
    """All bytes of a regular file; `error` where it is longer than `most` or cannot be read."""
    try:
        with open_regular(path, error=error) as file:
            raw = file.read(most + 1)
    except OSError as why:
        raise error(f"cannot be read: {why.strerror}", where=path) from None
    if len(raw) > most:
        raise error(f"too large: more than {most} bytes", where=path)
    return raw


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, as 64 hexadecimal digits; InputError if it cannot be read."""
    try:
        with open_regular(path) as file:
            return sha256_to_end(file)
    except OSError as why:
        raise InputError(f"cannot be read: {why.strerror}", where=path) from None


def sha256_to_end(file: io.RawIOBase | io.BufferedReader) -> str:
    """SHA-256 of an open file from where it stands, as 64 hexadecimal digits."""
    digest, part = hashlib.sha256(), memoryview(bytearray(_PART_BYTES))
    while count := file.readinto(part):
        digest.update(part[:count])
    return digest.hexdigest()


def _require_regular(seen: os.stat_result, path: Path, error: type[ReflectoryError]) -> None:
    if stat.S_ISREG(seen.st_mode):
        return
    kind = next((word for test, word in _KINDS if test(seen.st_mode)), "something else")
    raise error(f"{kind}; expected a regular file", where=path)
