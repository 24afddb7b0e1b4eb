"""What an open capture gives, whatever form its files have; nothing above `read` knows more.

A new form is a module that describes a path as a `Capture` and opens it as a `Reader`, and a row
in `registry`.
"""

from __future__ import annotations

from collections.abc import Iterator
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


def require_exact(counts: NDArray[Any], capture: Capture, first_line: int) -> None:
    """InputError where whole numbers lie beyond what float32 holds exactly.

    Parameters
    ----------
    counts : (line, band, sample) [count]; types of at most 16 bits and floats always pass
    first_line : the cube's line that is first in `counts`, for the message
    """
    if counts.dtype.kind not in "iu" or counts.dtype.itemsize < 4 or not counts.size:
        return
    low, high = int(counts.min()), int(counts.max())
    if low >= -EXACT_UP_TO and high <= EXACT_UP_TO:
        return
    worst = high if high > EXACT_UP_TO else low
    line = first_line + int(np.argmax((counts == worst).any(axis=(1, 2))))
    raise InputError(
        f"line {line} has a count of {worst}; counts are calibrated in float32, which holds whole "
        f"numbers up to {EXACT_UP_TO} exactly",
        where=capture.data,
        do="Divide the counts by a power of two where the file is made",
    )


def thin_lines(n_lines: int, wanted: int) -> NDArray[np.intp]:
    """About `wanted` of `n_lines` lines, evenly spread from first to last, without repeats."""
    if n_lines < 1 or wanted < 1:
        raise ValueError(f"{wanted} of {n_lines} lines; expected 1 or more of each")
    if wanted == 1:
        return np.array([n_lines // 2], dtype=np.intp)
    return np.unique(np.linspace(0, n_lines - 1, min(wanted, n_lines)).round().astype(np.intp))
