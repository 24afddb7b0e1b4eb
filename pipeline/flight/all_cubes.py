"""All cubes of a flight, side by side: on threads of this process or on a cluster."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from pipeline.calibrate.blocks_in_order import Helpers
from pipeline.calibrate.cube import CubeResult, CubeTask, calibrate_cube, remove
from pipeline.calibrate.cube_tracks import cube_track
from pipeline.calibrate.dask_cluster import cluster, submitted
from pipeline.calibrate.ground_positions import extents, positions
from pipeline.calibrate.input_manifest import require_unchanged
from pipeline.calibrate.kernel_tables import cube_task
from pipeline.calibrate.prepare import Preparation
from pipeline.errors import InputError, ReflectoryError
from pipeline.flight.record_rows import steps_of
from pipeline.progress.protocol import Progress
from pipeline.records import Capture
from pipeline.write.formats import FORMATS
from pipeline.write.product import output_bytes
from pipeline.write.provenance import Extents, cube_attributes

#: Blocks that are given to a free hand: one at work, and one waiting so that it is never idle.
PLACES_A_HAND = 2


class CalledOff(Exception):
    """The work was ended from outside; nobody waits for this cube any more."""


@dataclass(frozen=True, eq=False)
class Cubes:
    """What became of a flight's cubes."""

    written: tuple[CubeResult, ...]
    refused: dict[str, ReflectoryError]  # by stem: those that were before, and in this work


@dataclass(frozen=True)
class Hands:
    """Who does the work."""

    workers: int  # threads of this process
    scheduler: str | None = None  # address of a dask.distributed one, whose workers do it instead


def calibrate_cubes(
    prepared: Preparation, place: Path, started: str, hands: Hands, progress: Progress
) -> Cubes:
    """Calibrate every cube into a folder; one that cannot be read is refused, the others go on.

    A cube is refused too when a file of its own is no longer what it was at the first look: its
    panels, its times and its counts would be those of two files.
    """
    cubes = prepared.recording.cubes
    written: list[CubeResult] = []
    refused: dict[str, ReflectoryError] = dict(prepared.recording.inventory.refused)
    large = _exceeds_memory(prepared)

    def task_of(capture: Capture) -> CubeTask:
        known = prepared.inputs.by_path[capture.data].sha256
        task = _task(prepared, capture, place, started)
        return replace(task, raw_sha256=known, read_once=large)

    with progress.stage("cubes", sum(c.lines for c in cubes)) as done:
        made = (
            _on_threads(task_of, cubes, hands.workers, done)
            if hands.scheduler is None
            else _on_cluster(task_of, cubes, hands.scheduler, done)
        )
        # Closed here, not when it is collected: no cube may be at work once an error leaves.
        with closing(made):
            for capture, outcome in zip(cubes, made, strict=True):
                try:
                    result = outcome()
                    _require_unchanged(prepared, result)
                except InputError as error:
                    refused[capture.name] = error
                    progress.event("cube refused", cube=capture.name, why=str(error))
                    continue
                written.append(result)
                progress.event("cube written", cube=capture.name, seconds=round(result.seconds, 2))
    return Cubes(tuple(written), refused)


def _require_unchanged(prepared: Preparation, result: CubeResult) -> None:
    """InputError, and the cube's file removed, where what it was made of has changed."""
    try:
        require_unchanged(prepared.inputs.of_cube(result.name))
    except InputError:
        remove(result.path)
        raise


def _exceeds_memory(prepared: Preparation) -> bool:
    """Whether raw and calibrated cubes together would fill half of this machine's memory.

    Kept in memory, raw files would then push out the cubes, whose digests are made at the end.
    """
    uncertainty = prepared.config.output.uncertainty
    # Deflate about halves what a cube may need.
    flight = sum(
        c.claimed_bytes + output_bytes(c, uncertainty) // 2 for c in prepared.recording.cubes
    )
    return flight > os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 2


Outcomes = Generator[Callable[[], CubeResult], None, None]


def _on_threads(
    task_of: Callable[[Capture], CubeTask],
    cubes: Sequence[Capture],
    workers: int,
    done: Callable[[int], None],
) -> Outcomes:
    """Each cube's outcome, on threads of this process.

    A thread has a cube of its own, from reading to writing. One that finds no more cubes helps
    with the blocks of those still in hand.
    """
    hands, left, counting = min(workers, len(cubes)), len(cubes), threading.Lock()
    ended = threading.Event()

    def told(lines: int) -> None:
        # Between two blocks: a cube at work when all is called off ends there, not at its end.
        if ended.is_set():
            raise CalledOff
        done(lines)

    with (
        ThreadPoolExecutor(max(workers - 1, 1), thread_name_prefix="block") as others,
        ThreadPoolExecutor(hands, thread_name_prefix="cube") as threads,
    ):
        helpers = Helpers(others, PLACES_A_HAND * (workers - hands))

        def one(capture: Capture) -> CubeResult:
            nonlocal left
            try:
                return calibrate_cube(task_of(capture), helpers=helpers, progress=told)
            finally:
                with counting:
                    left -= 1
                    free = left < hands
                if free:
                    helpers.add(PLACES_A_HAND)

        try:
            for future in submitted(threads, one, cubes, most=hands):
                yield future.result
        finally:
            ended.set()


def _on_cluster(
    task_of: Callable[[Capture], CubeTask],
    cubes: Sequence[Capture],
    address: str,
    done: Callable[[int], None],
) -> Outcomes:
    """Each cube's outcome, from the workers of a scheduler."""
    with cluster(address) as (executor, threads):
        tasks = (task_of(capture) for capture in cubes)
        futures = submitted(executor, calibrate_cube, tasks, most=2 * threads)
        for capture, future in zip(cubes, futures, strict=True):
            yield partial(_told, future, done, capture.lines)


def _told(future: Future[CubeResult], done: Callable[[int], None], lines: int) -> CubeResult:
    """A cube's result, its lines told as done: workers elsewhere cannot tell of theirs."""
    result = future.result()
    done(lines)
    return result


def _task(prepared: Preparation, capture: Capture, place: Path, started: str) -> CubeTask:
    config = prepared.config
    recording = prepared.recording
    times = recording.times[capture.name]
    at = cube_track(recording.track, times) if recording.track else None
    where = positions(config, capture, at)
    return cube_task(
        prepared,
        capture,
        place / f"{capture.name}{FORMATS[config.output.format].suffix}",
        _attributes(prepared, capture, started, extents(where, at, prepared.config.sensor)),
        where,
    )


def _attributes(
    prepared: Preparation, capture: Capture, started: str, extents: Extents | None
) -> dict[str, object]:
    config = prepared.config
    time_s = prepared.recording.times[capture.name].time_s
    known = bool((time_s == time_s).all())
    return cube_attributes(
        flight=config.flight.name,
        cube=capture.name,
        started=started,
        config_text=config.text,
        config_sha256=config.sha256,
        steps=[step.says for step in steps_of(prepared)],
        blank=config.quality.blanked,
        times_s=(float(time_s.min()), float(time_s.max())) if known else None,
        extents=extents,
        more=config.output.attributes,
    )
