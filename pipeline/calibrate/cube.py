"""One cube, from raw file to finished output file."""

from __future__ import annotations

import hashlib
import shutil
import threading
import time
import uuid
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.blocks_in_order import Helpers, in_order
from pipeline.radiometry.kernel import (
    TALLIES,
    CalibratedBlock,
    KernelTable,
    LineTable,
    block_buffers,
    calibrate_block,
    low_buffers,
)
from pipeline.radiometry.preview import Preview, PreviewPart, PreviewPlan, join, preview_block
from pipeline.radiometry.recorder import repeated_lines
from pipeline.radiometry.squares import SquarePlan, Squares, joined, square_means
from pipeline.radiometry.unwritten import never_written
from pipeline.read.registry import open_capture
from pipeline.records import Array32, Capture
from pipeline.write.flush import FlushBehind
from pipeline.write.formats import FORMATS, Proof, RereadSample, reread
from pipeline.write.product import CubeProduct
from pipeline.write.publish import not_written

Progress = Callable[[int], None]


@dataclass(frozen=True, eq=False)
class CubeTask:
    """All that a worker needs to calibrate one cube; picklable."""

    capture: Capture
    bands: slice  # of the sorted bands: those that are written
    product: CubeProduct
    table: KernelTable
    lines: LineTable
    path: Path
    format: str
    preview: PreviewPlan
    squares: SquarePlan
    #: The raw file's digest where it is known already; it is then not computed again.
    raw_sha256: str | None = None
    #: The flight is too large for the system to keep its raw files in memory.
    read_once: bool = False


@dataclass(frozen=True, eq=False)
class CubeResult:
    """What is known of a cube once it is written."""

    name: str
    path: Path
    raw_sha256: str
    tallies: NDArray[np.int64]  # (band, tally), see TALLIES
    chunks_reread: int
    chunks_wrong: int
    seconds: float
    preview: Preview
    repeated: int = 0  # lines that repeat the one before exactly
    squares: Squares | None = None  # None without positions

    def share(self, tally: str, of: str = "samples") -> float:
        """Share of a tally in another over all bands; NaN where there is none of the other."""
        whole = self.count(of)
        return self.count(tally) / whole if whole else float("nan")

    def count(self, tally: str) -> int:
        """A tally over all bands."""
        return int(self.by_band(tally).sum())

    def by_band(self, tally: str) -> NDArray[np.int64]:
        """A tally of each band, (band,)."""
        return self.tallies[:, TALLIES.index(tally)]


def calibrate_cube(
    task: CubeTask,
    *,
    helpers: Helpers | None = None,
    progress: Progress | None = None,
) -> CubeResult:
    """Calibrate a cube and write it to `task.path`, which is whole on return or not there.

    Parameters
    ----------
    helpers : take blocks off this thread's hands where they have places
    progress : is told of lines done

    Raises
    ------
    InputError
        The raw file vanished, changed or cannot be read.
    OutputError
        The output cannot be written.
    """
    started = time.perf_counter()
    # A name of its own: a worker thought lost may still write while another does its cube again.
    beside = task.path.with_name(f".{uuid.uuid4().hex}{task.path.suffix}")
    try:
        made = _written(task, beside, helpers, progress)
        wrong = reread(beside, FORMATS[task.format], made.proofs)
        if task.path.is_dir():
            shutil.rmtree(task.path)
        beside.replace(task.path)
    except OSError as error:
        remove(beside)
        raise not_written(error, task.path.parent, where=task.path.name) from error
    except BaseException:
        remove(beside)
        raise
    return CubeResult(
        name=task.capture.name,
        path=task.path,
        raw_sha256=made.sha256,
        tallies=made.tallies,
        chunks_reread=len(made.proofs),
        chunks_wrong=wrong,
        seconds=time.perf_counter() - started,
        preview=made.preview,
        repeated=made.repeated,
        squares=made.squares,
    )


class _Written(NamedTuple):
    """What is known of a cube once its last block is written."""

    sha256: str
    tallies: NDArray[np.int64]
    proofs: list[Proof]
    preview: Preview
    squares: Squares | None
    repeated: int


def _written(
    task: CubeTask, path: Path, helpers: Helpers | None, progress: Progress | None
) -> _Written:
    digest = hashlib.sha256() if task.raw_sha256 is None else None
    sample = RereadSample(task.product)
    tallies = np.zeros((task.product.bands, len(TALLIES)), np.int64)
    proofs: list[Proof] = []
    parts: list[PreviewPart] = []
    squares: list[Array32] = []
    repeated = 0
    with (
        FORMATS[task.format].writer(path, task.product) as writer,
        FlushBehind(path) as behind,
        open_capture(task.capture) as raw,
    ):

        def work(
            item: tuple[int, NDArray[Any]],
        ) -> tuple[int, NDArray[np.int64], list[Proof], PreviewPart, Array32, int, int]:
            start, counts = item
            again = int(repeated_lines(counts).sum())
            block = calibrate_block(
                counts[:, task.bands],
                task.table,
                lines_of(task, start, counts),
                uncertainty=task.product.uncertainty,
                out=_buffers(task.product, len(counts)),
            )
            raw.give_back(start)
            # Here and not in one thread for all: deflated bytes are still in this one's cache.
            count = writer.write(start, block)
            part = preview_block(task.preview, start, block)
            means = square_means(task.squares, block)
            proved = sample.proofs(start, block)
            return count, block.tallies.copy(), proved, part, means, len(counts), again

        blocks = raw.blocks(task.product.chunk[1], digest=digest, once=task.read_once)
        made = in_order(blocks, work, helpers=helpers)
        for written, tally, proved, part, means, lines, again in made:
            behind.wrote(written)
            tallies += tally
            proofs += proved
            parts.append(part)
            squares.append(means)
            repeated += again
            if progress is not None:
                progress(lines)
    sha256 = task.raw_sha256 if digest is None else digest.hexdigest()
    assert sha256 is not None
    places = [task.product.values.get(name) for name in ("latitude", "longitude")]
    where = [place for place in places if place is not None]
    preview = join(task.preview, parts, *where)
    found = joined(task.squares, squares, *where) if len(where) == 2 else None
    return _Written(sha256, tallies, proofs, preview, found, repeated)


def lines_of(task: CubeTask, start: int, counts: NDArray[Any]) -> LineTable:
    """What changes from line to line of a block of raw counts, (line, band, sample)."""
    lines = task.lines.part(start, start + len(counts))
    return lines.told_unwritten(never_written(counts, task.table.saturation_counts))


_own = threading.local()


def _buffers(product: CubeProduct, lines: int) -> CalibratedBlock:
    """This thread's memory for one block, filled again and again whatever the cube: fresh pages
    cost a quarter, and as much again for a cube's last, lower block."""
    kind = (product.bands, product.chunk[1], product.samples, product.uncertainty)
    if getattr(_own, "kind", None) != kind:
        _own.kind = kind
        _own.buffers = block_buffers(*kind[:3], uncertainty=product.uncertainty)
    whole: CalibratedBlock = _own.buffers
    return whole if lines == product.chunk[1] else low_buffers(whole, lines)


def remove(path: Path) -> None:
    """Take away a cube's file or folder, whole or not."""
    with suppress(OSError):
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)
