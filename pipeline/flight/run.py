"""A whole run: prepare, calibrate every cube, judge, publish."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Generator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, replace
from functools import cached_property, partial
from pathlib import Path
from typing import Any

from pipeline.assess.flight_checks import before_cubes
from pipeline.calibrate.blocks_in_order import Helpers
from pipeline.calibrate.cube import CubeResult, CubeTask, calibrate_cube
from pipeline.calibrate.dask_cluster import cluster as cluster_at
from pipeline.calibrate.dask_cluster import submitted
from pipeline.calibrate.ground_positions import cube_track, extents, positions
from pipeline.calibrate.input_manifest import (
    DigestMemory,
    finished_runs,
    flight_folder,
    input_name,
    kept_folder,
    raw_inputs,
    run_id,
    small_inputs,
    with_raw,
)
from pipeline.calibrate.kernel_tables import cube_task
from pipeline.calibrate.measure import Measured
from pipeline.calibrate.prepare import Preparation, prepare
from pipeline.calibrate.recording import usable
from pipeline.config.flight import Config, load_config, require_output_folder
from pipeline.errors import InputError, OutputError, ReflectoryError
from pipeline.files import file_sha256
from pipeline.flight import measurement_cache as kept
from pipeline.flight.finish import Work, finish
from pipeline.flight.record_rows import steps_of
from pipeline.progress.protocol import Progress, Silent
from pipeline.read.inventory import Inventory, take_inventory
from pipeline.records import Capture
from pipeline.write import publish
from pipeline.write.attributes import now_utc, require_free
from pipeline.write.completeness import fault_of
from pipeline.write.formats import FORMATS
from pipeline.write.product import output_bytes
from pipeline.write.provenance import Extents, cube_attributes
from pipeline.write.run_record import RunRecord, read_run

#: Blocks that are given to a free hand: one at work, and one waiting so that it is never idle.
PLACES_A_HAND = 2


@dataclass(frozen=True, eq=False, repr=False)
class RunResult:
    """A finished run: its folder and its record."""

    folder: Path
    record: RunRecord
    reused: bool  # the work had been done before

    def __repr__(self) -> str:
        # The record alone is thousands of lines.
        told = {"outcome": self.record.outcome, "verdict": self.record.verdict}
        shown = ", ".join(f"{k}={v!r}" for k, v in {**told, "reused": self.reused}.items())
        return f"RunResult(folder={str(self.folder)!r}, {shown})"

    @cached_property
    def document(self) -> Mapping[str, Any]:
        """The record as `run.json` has it."""
        return self.record.to_json()

    @property
    def exit_code(self) -> int:
        """0 done, 1 done in part or unusable."""
        return self.record.exit_code


def run(
    config: Config | str | Path,
    *,
    output: str | Path | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    again: bool = False,
    progress: Progress | None = None,
) -> RunResult:
    """Calibrate a flight.

    Parameters
    ----------
    config : a flight's TOML file, or what `load_config` made of it
    output : replaces `output.folder`
    workers : threads; all processors where None
    cluster : address of a dask.distributed scheduler whose workers calibrate the cubes
    again : do the work even if it is already done, and measure everything anew
    progress : is told how far the run is

    Raises
    ------
    ReflectoryError
        Nothing was published. A single cube that cannot be calibrated is no error: it is named in
        the result, whose `outcome` is then "partial".
    """
    if not isinstance(config, Config):
        config = load_config(config, output=output)
    elif output is not None:
        folder = Path(output).absolute()
        config = config.model_copy(
            update={"output": config.output.model_copy(update={"folder": folder})}
        )
    require_output_folder(config, "output" if output is not None else "")
    require_free(config.output.attributes, f"{config.path}: output.attributes")
    progress = progress or Silent()
    memory = DigestMemory(kept_folder(config) / "digests.json")
    publish.clear_leftovers(flight_folder(config))
    found = take_inventory(config)
    inventory = usable(found)
    # Stamps the files as they are before any is read.
    memory.recall(raw_inputs(inventory))
    if not again:
        finished = _finished(config, inventory, memory)
        if finished is not None:
            progress.event("already done", run=finished.folder.name)
            return finished
    started, clock = now_utc(), time.perf_counter()

    def kept_measurement(digests: Mapping[str, str]) -> Measured | None:
        every = with_raw(config, inventory, digests, memory)
        if every is None:
            return None
        return kept.load(kept_folder(config), kept.measurement_key(config, every))

    prepared = prepare(config, progress, found, None if again else kept_measurement)
    timings = {"prepare": time.perf_counter() - clock}
    workers = workers or os.cpu_count() or 1
    with (
        publish.staging(flight_folder(config)) as place,
        # Beside the cubes: the checks' libraries take as long to load as half a cube.
        ThreadPoolExecutor(1, thread_name_prefix="checks") as beside,
    ):
        checks = beside.submit(before_cubes, prepared)
        clock = time.perf_counter()
        results, refused = _cubes(
            prepared, place, started, None if again else memory, workers, cluster, progress
        )
        timings["cubes"] = time.perf_counter() - clock
        if not results:
            raise next(iter(refused.values()))
        publish.clear_beside(place)
        work = Work(prepared, place, started, timings, results, refused, checks.result())
        try:
            record = finish(work, memory, workers=workers)
            target = flight_folder(config) / str(record.run_id)
            published = publish.publish(place, target, replace=again)
            _tell(published, target, progress)
        except OSError as error:
            raise OutputError(
                f"cannot be written: {error.strerror or error}",
                where=flight_folder(config),
                do="Free space or choose another output folder",
            ) from error
    if not published.fresh:
        record = read_run(target)
    return RunResult(target, record, reused=not published.fresh)


def _tell(published: publish.Published, target: Path, progress: Progress) -> None:
    """Say what was wrong with the folder that was there under the run's name."""
    if published.fault:
        progress.event("made anew", run=target.name, why=published.fault)
    if published.set_aside is not None:
        progress.event("set aside", what=published.set_aside, why="it holds what no run wrote")


def _finished(config: Config, inventory: Inventory, memory: DigestMemory) -> RunResult | None:
    """The finished run of this very work, if its inputs are all known to be unchanged."""
    if not finished_runs(flight_folder(config)):
        return None
    small = {input_name(config, p): file_sha256(p) for p in small_inputs(config, inventory)}
    digests = with_raw(config, inventory, small, memory)
    if digests is None:
        return None
    folder = flight_folder(config) / run_id(config, digests, inventory.refused)
    if fault_of(folder):
        return None
    return RunResult(folder, read_run(folder), reused=True)


def _cubes(
    prepared: Preparation,
    place: Path,
    started: str,
    memory: DigestMemory | None,
    workers: int,
    address: str | None,
    progress: Progress,
) -> tuple[list[CubeResult], dict[str, ReflectoryError]]:
    """Calibrate every cube; one that cannot be read is refused, the others go on."""
    results: list[CubeResult] = []
    refused: dict[str, ReflectoryError] = dict(prepared.recording.inventory.refused)
    large = _exceeds_memory(prepared)

    def task_of(capture: Capture) -> CubeTask:
        task = _task(prepared, capture, place, started)
        # Looked up as the cube's turn comes: a file changed since the start is hashed anew.
        known = memory.recall([capture.data]) if memory is not None else {}
        return replace(task, raw_sha256=known.get(capture.data), read_once=large)

    with progress.stage("cubes", sum(c.lines for c in prepared.recording.cubes)) as done:
        made = (
            _on_threads(task_of, prepared.recording.cubes, workers, done)
            if address is None
            else _on_cluster(task_of, prepared.recording.cubes, address, done)
        )
        # Closed here, not when it is collected: no cube may be at work once an error leaves.
        with closing(made):
            for capture, outcome in zip(prepared.recording.cubes, made, strict=True):
                try:
                    result = outcome()
                except InputError as error:
                    refused[capture.name] = error
                    progress.event("cube refused", cube=capture.name, why=str(error))
                    continue
                results.append(result)
                progress.event("cube written", cube=capture.name, seconds=round(result.seconds, 2))
    return results, refused


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
    with (
        ThreadPoolExecutor(max(workers - 1, 1), thread_name_prefix="block") as others,
        ThreadPoolExecutor(hands, thread_name_prefix="cube") as threads,
    ):
        helpers = Helpers(others, PLACES_A_HAND * (workers - hands))

        def one(capture: Capture) -> CubeResult:
            nonlocal left
            try:
                return calibrate_cube(task_of(capture), helpers=helpers, progress=done)
            finally:
                with counting:
                    left -= 1
                    free = left < hands
                if free:
                    helpers.add(PLACES_A_HAND)

        for future in submitted(threads, one, cubes, most=hands):
            yield future.result


def _on_cluster(
    task_of: Callable[[Capture], CubeTask],
    cubes: Sequence[Capture],
    address: str,
    done: Callable[[int], None],
) -> Outcomes:
    """Each cube's outcome, from the workers of a scheduler."""
    with cluster_at(address) as (executor, threads):
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
        _attributes(prepared, capture, started, extents(where, at)),
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
