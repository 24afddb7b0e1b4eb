"""What an open capture gives, whatever form its files have; nothing above `read` knows more.

A new form is a module that describes a path as a `Capture` and opens it as a `Reader`, and a row
in `registry`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.records import Capture

#: Whole numbers up to here, either side of zero, are exact in float32 (IEEE 754: 24 bits), in
#: which counts are calibrated.
EXACT_UP_TO = 1 << 24


class Digest(Protocol):
    """What `hashlib.sha256()` returns."""

    def update(self, data: bytes | memoryview, /) -> None: ...


class Reader(Protocol):
    """An open capture; a context manager, and safe to read from several threads.

    Entering proves that the files are there as described, so that no buffer is ever made by a
    header's word alone. Leaving proves that they have not changed since. All failures are
    InputError, counts that float32 does not hold exactly among them.
    """

    @property
    def capture(self) -> Capture: ...

    def __enter__(self) -> Self: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...

    def lines(self, start: int, stop: int) -> NDArray[Any]:
        """Raw counts of lines start to stop, stop not included.

        Returns
        -------
        (line, band, sample) [count] in native byte order, bands sorted by wavelength. The array
        is the caller's. Lines outside the cube are a ValueError.
        """

    def blocks(
        self, lines_per_block: int, *, digest: Digest | None = None, once: bool = False
    ) -> Iterator[tuple[int, NDArray[Any]]]:
        """All lines in order, as pairs of a block's first line and its counts.

        Every block is an array of its own, held until it is given back (`give_back`) for a later
        one to fill: fresh pages cost as much as reading.

        `digest` has taken in all that `add_to` gives it once the last block is drawn and the
        iteration has ended; on the same read where the files lie in the order of their lines.

        `once` tells the system that what was read need not be kept in memory for another time.
        """

    def give_back(self, start: int) -> None:
        """Let the memory of the block that starts at a line be filled by a later one."""

    def add_to(self, digest: Digest) -> None:
        """Let a digest take in the data: a single file whole; of several, each one's own digest
        and name in the form of the coreutils, in order."""


def exact(counts: NDArray[Any], capture: Capture, first_line: int) -> NDArray[Any]:
    """The counts, of a type of at most 32 bits, proved to be exact in float32.

    Parameters
    ----------
    counts : (line, band, sample) [count]; types of at most 16 bits and float32 always pass
    first_line : the cube's line that is first in `counts`, for the message

    Returns
    -------
    `counts` itself, or int32 for wider whole numbers and float32 for wider others. InputError
    names the first line with a count that would be rounded; NaN stay NaN.
    """
    kind, size = counts.dtype.kind, counts.dtype.itemsize
    if size < 4 or (kind == "f" and size == 4):
        return counts
    if kind == "f":
        narrow = counts.astype(np.float32)
        wrong = (narrow != counts) & ~np.isnan(counts)
    else:
        narrow = counts if size == 4 else counts.astype(np.int32)
        if not counts.size or (counts.min() >= -EXACT_UP_TO and counts.max() <= EXACT_UP_TO):
            return narrow
        wrong = (counts > EXACT_UP_TO) | (counts < -EXACT_UP_TO)
    if not wrong.any():
        return narrow
    line, band, sample = np.unravel_index(int(np.argmax(wrong)), wrong.shape)
    raise InputError(
        f"line {first_line + int(line)} has a count of {counts[line, band, sample]}; counts are "
        f"calibrated in float32, which holds whole numbers up to {EXACT_UP_TO} exactly",
        where=capture.data,
        do="Divide the counts by a power of two where the file is made",
    )


def changed(path: Path) -> InputError:
    """What is wrong with a file that is not what it was when it was opened."""
    return InputError("changed while it was read", where=path, do="Wait until it is copied whole")


class Rooms:
    """Memory of blocks: each is lent for one, and for a later one once it is given back."""

    def __init__(self) -> None:
        self._spare: list[NDArray[Any]] = []
        self._lent: dict[int, NDArray[Any]] = {}

    def clear(self) -> None:
        """Forget the memory that nobody uses."""
        self._spare.clear()

    def take(self, start: int, make: Callable[[], NDArray[Any]]) -> NDArray[Any]:
        """Memory for the block that starts at a line."""
        try:
            room = self._spare.pop()
        except IndexError:
            room = make()
        self._lent[start] = room
        return room

    def give_back(self, start: int) -> None:
        """Take the memory of the block that starts at a line back."""
        self._spare.append(self._lent.pop(start))


def bytes_missing(capture: Capture) -> int:
    """Bytes that a capture is described to have less those on disk; negative where it has more."""
    on_disk = 0
    for path in capture.files:
        try:
            on_disk += path.stat().st_size
        except OSError as error:
            raise InputError(f"cannot be read: {error.strerror}", where=path) from None
    return capture.claimed_bytes - on_disk


def require_whole(capture: Capture) -> None:
    """InputError unless the data files have exactly the bytes that they are described to have."""
    require_size(capture, capture.claimed_bytes - bytes_missing(capture))


def require_size(capture: Capture, size: int) -> None:
    """InputError with both sizes unless `size` [bytes] is the one that the header claims."""
    claimed = capture.claimed_bytes
    if size == claimed:
        return
    kind, do = (
        ("too short", "Copy the file again from the recorder")
        if size < claimed
        else ("too long", "The header does not describe this file")
    )
    raise InputError(
        f"{kind}: {size} bytes on disk, {claimed} claimed by {capture.header.name}",
        where=capture.data,
        do=do,
    )


def thin_lines(n_lines: int, wanted: int) -> NDArray[np.intp]:
    """About `wanted` of `n_lines` lines, evenly spread from first to last, without repeats."""
    if n_lines < 1 or wanted < 1:
        raise ValueError(f"{wanted} of {n_lines} lines; expected 1 or more of each")
    if wanted == 1:
        return np.array([n_lines // 2], dtype=np.intp)
    return np.unique(np.linspace(0, n_lines - 1, min(wanted, n_lines)).round().astype(np.intp))
