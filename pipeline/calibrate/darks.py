"""Dark captures: read, matched with the cubes, averaged."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.blocks_in_order import Helpers, in_order
from pipeline.errors import InputError
from pipeline.radiometry import dark, dark_frames
from pipeline.radiometry.checks.offload import differences
from pipeline.radiometry.recorder import repeated_lines
from pipeline.read.registry import open_capture
from pipeline.records import Array, Array32, Capture, DarkCapture, LineTimes, Mask

#: Frames of a dark capture that are read at once.
CHUNK_FRAMES = 64


def require_matching(darks: Sequence[Capture], cube: Capture) -> None:
    """InputError when a dark capture was not taken with the cube's settings and shape."""
    for capture in darks:
        differing, _ = differences(cube, capture)
        if differing:
            raise InputError(
                f"dark capture does not match cube {cube.name}: {'; '.join(differing)}",
                where=capture.header,
                do="Give a dark capture taken with the cubes' settings",
            )


class _Chunk(NamedTuple):
    """Some frames of a capture, reduced."""

    repeated: int  # frames that repeat the one before, the first not asked
    first: NDArray[Any]
    last: NDArray[Any]
    levels: Array
    sums: dark.DarkSums


def measure_dark(
    capture: Capture,
    time_s: float,
    progress: Callable[[int], None] | None = None,
    helpers: Helpers | None = None,
) -> tuple[DarkCapture, str]:
    """Mean dark signal of a capture, and the SHA-256 of its raw file.

    The file is read once; a second time, without them, if its frames' levels show outlying ones.
    Helpers take chunks of frames off this thread's hands where they have places; the numbers are
    the same, since the chunks are put together in their order.
    """
    digest = hashlib.sha256()
    levels_of: list[Array] = []
    sums = None
    repeated, last = 0, None
    with open_capture(capture) as raw:

        def reduced(item: tuple[int, NDArray[Any]]) -> _Chunk:
            start, chunk = item
            found = _Chunk(
                int(repeated_lines(chunk).sum()),
                chunk[0].copy(),
                chunk[-1].copy(),
                dark_frames.frame_levels(chunk),
                dark.clipped_sums(chunk),
            )
            raw.give_back(start)
            return found

        blocks = raw.blocks(CHUNK_FRAMES, digest=digest)
        for part in in_order(blocks, reduced, helpers=helpers):
            repeated += part.repeated + int(repeated_lines(part.first[None], last).sum())
            last = part.last
            levels_of.append(part.levels)
            sums = _with(sums, part.sums)
            if progress is not None:
                progress(len(part.levels))
        levels = np.concatenate(levels_of)
        outlying = dark_frames.outlying_frames(levels)
        if outlying.all():
            raise InputError("no frame of the dark capture can be used", where=capture.data)
        if outlying.any():
            sums = None
            for start, chunk in raw.blocks(CHUNK_FRAMES):
                used = ~outlying[start : start + len(chunk)]
                if used.any():
                    sums = _with(sums, dark.clipped_sums(chunk if used.all() else chunk[used]))
                raw.give_back(start)
    assert sums is not None
    measured = dark.finish(
        sums,
        name=capture.name,
        time_s=time_s,
        levels=np.where(outlying, np.nan, levels),
        sensor_temperature_c=capture.settings.sensor_temperature_c,
    )
    if not np.isfinite(measured.noise).any():
        raise InputError(
            f"the dark capture has {len(levels)} frame; its noise cannot be seen",
            where=capture.header,
            do="Record at least ten frames, a thousand is usual",
        )
    return replace(measured, repeated=repeated), digest.hexdigest()


def _with(sums: dark.DarkSums | None, part: dark.DarkSums) -> dark.DarkSums:
    return part if sums is None else dark.combine(sums, part)


def overall_noise(
    darks: Sequence[DarkCapture],
) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    """Temporal noise of one frame over all captures, (band, sample) [count]."""
    weight = np.array([d.frames_used for d in darks], np.float64)
    variance = np.stack([d.noise.astype(np.float64) ** 2 for d in darks])
    mean = np.average(np.nan_to_num(variance), axis=0, weights=weight)
    return np.sqrt(mean).astype(np.float32)


@dataclass(frozen=True, eq=False)
class CubeDark:
    """Dark at a line = middle + weight * change."""

    middle: Array32  # (band, sample) [count], at the middle of the cube
    change: Array32  # (band, sample) [count]
    weight: Array32  # (line,)
    uncertainty: Array32  # (band, sample) [count], standard, at the middle
    extrapolated: Mask  # (line,)


def dark_of(darks: tuple[DarkCapture, ...], times: LineTimes, capture: Capture) -> CubeDark:
    """The dark signal of a cube's lines, from the captures before and after it."""
    when = [d.time_s for d in darks]
    middle_s = float(np.mean(times.time_s))
    before, after = (darks[i] for i in dark.bracket(when, middle_s))
    weight = dark.weights(times.time_s, before.time_s, after.time_s)
    middle = dark.weights(np.array([middle_s]), before.time_s, after.time_s)
    mean, uncertainty = dark.dark_at(before, after, middle)
    return CubeDark(
        middle=mean[0],
        change=(after.mean - before.mean).astype(np.float32),
        weight=(weight - middle[0]).astype(np.float32),
        uncertainty=uncertainty[0],
        extrapolated=dark.extrapolated(times.time_s, when),
    )
