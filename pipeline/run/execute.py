"""A whole run: prepare, calibrate every cube, judge, publish."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from pipeline.config import Config, load_config
from pipeline.errors import InputError, OutputError, ReflectoryError
from pipeline.radiometry.checks.verdict import run_verdict, worst_first
from pipeline.read.cubes import file_sha256
from pipeline.read.inventory import Inventory, take_inventory
from pipeline.records import Capture, Check
from pipeline.run.assess import after_cubes, before_cubes
from pipeline.run.cube import CubeResult, CubeTask, calibrate_cube
from pipeline.run.document import cube_rows, panel_rows, sentence, steps_of
from pipeline.run.ground import cube_track, extents, positions
from pipeline.run.plan import (
    DigestMemory,
    finished_runs,
    flight_folder,
    input_name,
    kept_folder,
    raw_inputs,
    run_id,
    small_inputs,
)
from pipeline.run.prepare import Preparation, prepare, usable
from pipeline.run.progress import Progress, Silent
from pipeline.run.tables import cube_task
from pipeline.write import publish
from pipeline.write.attributes import now_utc
from pipeline.write.formats import FORMATS
from pipeline.write.provenance import (
    Extents,
    Input,
    cube_attributes,
    late_attributes,
    prov_json,
    software,
)
from pipeline.write.report.page import write_report


#: Cubes in hand at once, on shared threads: one's beginning and end fill the other's pauses.
CUBES_AT_ONCE = 2


@dataclass(frozen=True, eq=False)
class RunResult:
    """A finished run: its folder and its `run.json`."""

    folder: Path
    document: Mapping[str, object]
    reused: bool  # the work had been done before

    @property
    def exit_code(self) -> int:
        """0 done, 1 done in part or unusable."""
        whole = self.document["outcome"] == "whole" and self.document["verdict"] != "unusable"
        return 0 if whole else 1


def run(
    config: Config | str | Path,
    *,
    output: str | Path | None = None,
    workers: int | None = None,
    again: bool = False,
    progress: Progress | None = None,
) -> RunResult:
    """Calibrate a flight.

    Parameters
    ----------
    config : a flight's TOML file, or what `load_config` made of it
    output : replaces `output.folder`
    workers : threads; all processors where None
    again : do the work even if it is already done
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
    progress = progress or Silent()
    memory = DigestMemory(kept_folder(config) / "digests.json")
    found = take_inventory(config)
    if not again:
        finished = _finished(config, usable(found), memory)
        if finished is not None:
            progress.event("already done", run=finished.folder.name)
            return finished
    started, clock = now_utc(), time.perf_counter()
    prepared = prepare(config, progress, found)
    timings = {"prepare": time.perf_counter() - clock}
    checks = before_cubes(prepared)
    with publish.staging(flight_folder(config)) as place:
        result = _calibrated(
            prepared, checks, place, started, timings, workers or os.cpu_count() or 1, progress,
            memory,
        )  # fmt: skip
        target = flight_folder(config) / str(result["run_id"])
        try:
            published = publish.publish(place, target, replace=again)
        except OSError as error:
            raise _unwritable(error, target) from error
    if not published:
        result = json.loads((target / "run.json").read_text())
    return RunResult(target, result, reused=not published)


def _finished(config: Config, inventory: Inventory, memory: DigestMemory) -> RunResult | None:
    """The finished run of this very work, if its inputs are all known to be unchanged."""
    raws = raw_inputs(inventory)
    known = memory.recall(raws)
    if len(known) < len(raws) or not finished_runs(flight_folder(config)):
        return None
    digests = {input_name(config, p): sha for p, sha in known.items()}
    digests |= {input_name(config, p): file_sha256(p) for p in small_inputs(config, inventory)}
    folder = flight_folder(config) / run_id(config, digests, inventory.refused)
    try:
        document = json.loads((folder / "run.json").read_text())
    except (OSError, ValueError):
        return None
    return RunResult(folder, document, reused=True)


def _unwritable(error: OSError, where: Path) -> OutputError:
    return OutputError(
        f"cannot be written: {error.strerror or error}",
        where=where,
        do="Free space or choose another output folder",
    )


def _calibrated(
    prepared: Preparation,
    checks: list[Check],
    place: Path,
    started: str,
    timings: dict[str, float],
    workers: int,
    progress: Progress,
    memory: DigestMemory,
) -> dict[str, object]:
    """Write the whole run into the staging folder; its `run.json` as a dict."""
    config = prepared.config
    clock = time.perf_counter()
    results, refused = _cubes(prepared, place, started, workers, progress)
    timings["cubes"] = time.perf_counter() - clock
    if not results:
        raise next(iter(refused.values()))
    checks = checks + after_cubes(prepared, results, refused)

    clock = time.perf_counter()
    inputs = _inputs(prepared, results)
    _remember(prepared, results, memory)
    # Cubes refused by their headers are known before the work; those refused while they were
    # read have no digest, which tells this work from a later, whole one.
    identity = run_id(config, {i.name: i.sha256 for i in inputs}, prepared.inventory.refused)
    earlier = [p.name for p in finished_runs(place.parent) if p.name != identity]
    follows = earlier[-1] if earlier else None
    late = late_attributes(identity, follows, inputs)
    digests: dict[Path, str] = {}
    try:
        for result in results:
            FORMATS[config.output.format].set_attributes(result.path, late)
        (place / "config.toml").write_text(config.text, encoding="utf-8")
        files = publish.files_below(place)
        with ThreadPoolExecutor(workers) as pool:
            digests |= zip(files, pool.map(publish.sha256_of, files), strict=True)
        timings["finish"] = time.perf_counter() - clock
        document: dict[str, object] = {
            "run_id": identity,
            "flight": config.flight.name,
            "software": software(),
            "started": started,
            "ended": now_utc(),
            "follows": follows,
            "outcome": "partial" if refused else "whole",
            "verdict": run_verdict(checks),
            "says": sentence(checks, refused),
            "cubes": cube_rows(prepared, results, refused),
            "panels": panel_rows(prepared),
            "checks": [check.as_dict() for check in worst_first(checks)],
            "timings": {name: round(seconds, 3) for name, seconds in timings.items()},
            "config": json.loads(config.work),
            "config_sha256": config.sha256,
            **prov_json(
                run_id=identity,
                follows=follows,
                started=started,
                ended=now_utc(),
                inputs=inputs,
                outputs={p.relative_to(place).as_posix(): sha for p, sha in digests.items()},
                config_sha256=config.sha256,
                steps=steps_of(prepared),
            ),
        }
        publish.write_text(place / "run.json", json.dumps(document, indent=1) + "\n")
        write_report(place / "report.html", document)
        for name in ("run.json", "report.html"):
            digests[place / name] = publish.sha256_of(place / name)
        publish.write_checksums(place, dict(sorted(digests.items())))
    except OSError as error:
        raise _unwritable(error, place.parent) from error
    return document


def _cubes(
    prepared: Preparation, place: Path, started: str, workers: int, progress: Progress
) -> tuple[list[CubeResult], dict[str, ReflectoryError]]:
    """Calibrate every cube; one that cannot be read is refused, the others go on."""
    results: list[CubeResult] = []
    refused: dict[str, ReflectoryError] = dict(prepared.inventory.refused)
    ahead = max(workers // CUBES_AT_ONCE, 1)
    with (
        ThreadPoolExecutor(workers, thread_name_prefix="block") as pool,
        ThreadPoolExecutor(CUBES_AT_ONCE, thread_name_prefix="cube") as cubes,
        progress.stage("cubes", sum(c.lines for c in prepared.cubes)) as done,
    ):

        def one(capture: Capture) -> CubeResult:
            task = _task(prepared, capture, place, started)
            return calibrate_cube(task, pool=pool, ahead=ahead, progress=done)

        futures = {capture.name: cubes.submit(one, capture) for capture in prepared.cubes}
        try:
            for name, future in futures.items():
                try:
                    result = future.result()
                except InputError as error:
                    refused[name] = error
                    progress.event("cube refused", cube=name, why=str(error))
                    continue
                results.append(result)
                progress.event("cube written", cube=name, seconds=round(result.seconds, 2))
        finally:
            for future in futures.values():
                future.cancel()
    return results, refused


def _task(prepared: Preparation, capture: Capture, place: Path, started: str) -> CubeTask:
    config = prepared.config
    at = cube_track(prepared.track, prepared.times[capture.name]) if prepared.track else None
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
    time_s = prepared.times[capture.name].time_s
    known = bool((time_s == time_s).all())
    return cube_attributes(
        flight=config.flight.name,
        cube=capture.name,
        started=started,
        config_text=config.text,
        config_sha256=config.sha256,
        steps=[str(step["says"]) for step in steps_of(prepared)],
        blank=config.quality.blank,
        times_s=(float(time_s.min()), float(time_s.max())) if known else None,
        extents=extents,
        more=config.output.attributes,
    )


def _inputs(prepared: Preparation, results: list[CubeResult]) -> list[Input]:
    """Every input with its role, size and digest, in order of their names."""
    config, inventory = prepared.config, prepared.inventory
    roles: dict[Path, str] = {panel.certificate: "certificate" for panel in config.panel}
    for role in ("track", "regions", "irradiance"):
        path = getattr(config.flight, role)
        if path is not None:
            roles[path] = role
    sha256_of = dict(prepared.digests)
    for path in small_inputs(config, inventory):
        roles.setdefault(path, "line times" if path.suffix == ".csv" else "header")
    for capture in inventory.darks:
        roles[capture.data] = "dark"
    if inventory.flat is not None:
        roles[inventory.flat.data] = "flat"
    for capture in prepared.cubes:
        for result in results:
            if result.name == capture.name:
                roles[capture.data] = "cube"
                sha256_of[input_name(config, capture.data)] = result.raw_sha256
    inputs = []
    for path, role in roles.items():
        name = input_name(config, path)
        if name in sha256_of:
            inputs.append(Input(name, path.stat().st_size, sha256_of[name], role))
    return sorted(inputs, key=lambda i: i.name)


def _remember(prepared: Preparation, results: list[CubeResult], memory: DigestMemory) -> None:
    config, inventory = prepared.config, prepared.inventory
    raw_sha256 = {result.name: result.raw_sha256 for result in results}
    seen = {c.data: raw_sha256[c.name] for c in prepared.cubes if c.name in raw_sha256}
    others = [*inventory.darks, *([inventory.flat] if inventory.flat else [])]
    seen |= {c.data: prepared.digests[input_name(config, c.data)] for c in others}
    memory.remember(seen)
