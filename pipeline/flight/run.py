"""A whole run: prepare, calibrate every cube, judge, publish."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import Any

from pipeline.calibrate.flight_day import on_its_day
from pipeline.calibrate.input_manifest import InputManifest, require_unchanged, take_inputs
from pipeline.calibrate.measure import Measured
from pipeline.calibrate.prepare import Preparation, prepare
from pipeline.config.flight import Config, load_config, require_output_folder
from pipeline.flight import measurement_cache
from pipeline.flight.all_cubes import Cubes, Hands, calibrate_cubes
from pipeline.flight.finish import Past, Work, finish
from pipeline.flight.finished_runs import finished_runs
from pipeline.flight.known_before import known_before
from pipeline.flight.latest import lead_to_latest
from pipeline.flight.run_folders import (
    digest_memory,
    flight_folder,
    kept_folder,
    run_id,
)
from pipeline.flight.timings import Timings
from pipeline.progress.protocol import Progress, Silent
from pipeline.write import publish
from pipeline.write.attributes import now_utc, require_free
from pipeline.write.completeness import fault_of
from pipeline.write.formats import FORMATS
from pipeline.write.run_record import RunRecord, read_run


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
    past: Past | None = None,
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
    past : compares the flight with those before it, in a campaign; rows say what it found

    Raises
    ------
    ReflectoryError
        Nothing was published. A single cube that cannot be calibrated is no error: it is named in
        the result, whose `outcome` is then "partial".
    """
    config = on_its_day(_resolved(config, output))
    progress = progress or Silent()
    publish.clear_leftovers(flight_folder(config))
    memory = digest_memory(config)
    inputs = take_inputs(config, None if again else memory.recall)
    finished = None if again else _finished(config, inputs)
    if finished is not None:
        progress.event("already done", run=finished.folder.name)
        lead_to_latest(flight_folder(config), make=False)
        return finished
    started, timings = now_utc(), Timings()
    hands = Hands(workers or os.cpu_count() or 1, cluster)
    kept = None if again else partial(_kept, config)
    FORMATS[config.output.format].load()
    prepared = prepare(config, progress, inputs, kept, hands.workers)
    timings.ends("prepare")
    with (
        publish.staging(flight_folder(config)) as place,
        # Beside the cubes, which need nothing of it.
        ThreadPoolExecutor(1, thread_name_prefix="checks") as beside,
    ):
        known = beside.submit(known_before, prepared)
        cubes = calibrate_cubes(prepared, place, started, hands, progress)
        timings.ends("cubes")
        if not cubes.written:
            raise next(iter(cubes.refused.values()))
        publish.clear_beside(place)
        read = _looked_again(prepared, cubes)
        memory.remember(read)
        beside.submit(_keep, prepared, cubes, read)
        checks, quantities = known.result()
        work = Work(prepared, read, place, started, timings, cubes, checks, quantities, past)
        with _told_as_output_error(place, flight_folder(config)):
            record = finish(work, workers=hands.workers)
            target = flight_folder(config) / str(record.run_id)
            published = publish.publish(place, target, replace=again)
    lead_to_latest(flight_folder(config), make=False)
    _tell(published, target, progress)
    if not published.fresh:
        record = read_run(target)
    return RunResult(target, record, reused=not published.fresh)


def _resolved(config: Config | str | Path, output: str | Path | None) -> Config:
    """The config with the folder that results go to; ConfigError where they cannot."""
    if not isinstance(config, Config):
        config = load_config(config, output=output)
    elif output is not None:
        moved = config.output.model_copy(update={"folder": Path(output).absolute()})
        config = config.model_copy(update={"output": moved})
    require_output_folder(config, "output" if output is not None else "")
    require_free(config.output.attributes, f"{config.path}: output.attributes")
    return config


def _finished(config: Config, inputs: InputManifest) -> RunResult | None:
    """The finished run of this very work, if its inputs are all known and it is all there."""
    if not inputs.complete or not finished_runs(flight_folder(config)):
        return None
    folder = flight_folder(config) / run_id(config, inputs)
    if fault_of(folder):
        return None
    return RunResult(folder, read_run(folder), reused=True)


def _kept(config: Config, inputs: InputManifest) -> Measured | None:
    """The measurement that an earlier run made of these inputs."""
    if not inputs.complete:
        return None
    key = measurement_cache.measurement_key(config, inputs)
    return measurement_cache.load(kept_folder(config), key)


def _looked_again(prepared: Preparation, cubes: Cubes) -> InputManifest:
    """The inputs as they were read, each with its digest; to be asked after the last reading.

    InputError where one changed meanwhile that all cubes hang on: a dark, a certificate, a track,
    or, through the panels that were read from it, a cube.
    """
    inputs = prepared.inputs
    require_unchanged(inputs.shared)
    for name in sorted(_cubes_with_panels(prepared) & cubes.refused.keys()):
        require_unchanged(inputs.of_cube(name))
    raw = {capture.name: capture.data for capture in prepared.recording.cubes}
    read = inputs.with_digests({raw[one.name]: one.raw_sha256 for one in cubes.written})
    return read.without_lost(cubes.refused)


def _cubes_with_panels(prepared: Preparation) -> set[str]:
    """The cubes that have their part in every other's result."""
    if any(panel.where == ("search",) for panel in prepared.config.panel):
        # That a panel was found in one strip alone is owed to all of them.
        return {capture.name for capture in prepared.recording.cubes}
    return {reading.cube for reading in prepared.measured.readings}


def _keep(prepared: Preparation, cubes: Cubes, read: InputManifest) -> None:
    """Leave the measurement to the next run, unless it came from one or lost a cube since."""
    if prepared.from_kept or cubes.refused.keys() != read.refused or not read.complete:
        return
    key = measurement_cache.measurement_key(prepared.config, read)
    measurement_cache.save(kept_folder(prepared.config), key, prepared.measured)


@contextmanager
def _told_as_output_error(place: Path, folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise publish.not_written(error, place, where=folder) from error


def _tell(published: publish.Published, target: Path, progress: Progress) -> None:
    """Say what was wrong with the folder that was there under the run's name."""
    if published.fault:
        progress.event("made anew", run=target.name, why=published.fault)
    if published.set_aside is not None:
        progress.event("set aside", what=published.set_aside, why="it holds what no run wrote")
