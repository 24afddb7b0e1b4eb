"""The end of a run: inputs listed, checks joined, `run.json`, report and checksums written."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from pipeline.assess.flight_checks import after_cubes
from pipeline.calibrate.cube import CubeResult
from pipeline.calibrate.input_manifest import (
    DigestMemory,
    finished_runs,
    input_name,
    kept_folder,
    raw_inputs,
    run_id,
    small_inputs,
    with_raw,
)
from pipeline.calibrate.prepare import Preparation
from pipeline.errors import ReflectoryError
from pipeline.flight import measurement_cache as kept
from pipeline.flight.record_rows import cube_rows, panel_rows, sentence, steps_of
from pipeline.flight.report_inputs import page_data
from pipeline.radiometry.checks.verdict import run_verdict, worst_first
from pipeline.records import Check
from pipeline.write import publish
from pipeline.write.attributes import now_utc
from pipeline.write.checksums import sha256_of as digest_of
from pipeline.write.flush import flush
from pipeline.write.formats import FORMATS
from pipeline.write.page.page import draw_strips, write_report
from pipeline.write.provenance import Input, Output, late_attributes, software
from pipeline.write.run_record import RUN_JSON, RunRecord


@dataclass(frozen=True, eq=False)
class Work:
    """A run whose cubes are written, in its staging folder."""

    prepared: Preparation
    place: Path
    started: str
    timings: dict[str, float]  # by stage [s]
    results: list[CubeResult]
    refused: Mapping[str, ReflectoryError]
    checks: list[Check]  # those made before the cubes


def finish(work: Work, memory: DigestMemory, *, workers: int) -> RunRecord:
    """Write all but the cubes into the staging folder; the run's record."""
    clock = time.perf_counter()
    prepared, place = work.prepared, work.place
    config = prepared.config
    sha256_of = _input_digests(work)
    inputs = _inputs(prepared, sha256_of)
    memory.remember(sha256_of)
    _keep(prepared, memory)
    checks = work.checks + after_cubes(prepared, work.results, sha256_of)
    # Cubes refused by their headers are known before the work; those refused while they were
    # read have no digest, which tells this work from a later, whole one.
    identity = run_id(
        config, {i.name: i.sha256 for i in inputs}, prepared.recording.inventory.refused
    )
    earlier = [p.name for p in finished_runs(place.parent) if p.name != identity]
    follows = earlier[-1] if earlier else None
    late = late_attributes(identity, follows, inputs)
    for result in work.results:
        FORMATS[config.output.format].set_attributes(result.path, late)
    (place / "config.toml").write_text(config.text, encoding="utf-8")
    files = publish.files_below(place)
    # The page is drawn meanwhile, and its pictures take as long as the digests.
    with ThreadPoolExecutor(workers) as pool:
        data = page_data(prepared, work.results)
        drawn = pool.submit(draw_strips, data)
        digests = dict(zip(files, pool.map(_flushed_sha256, files), strict=True))
    work.timings["finish"] = time.perf_counter() - clock
    ended = now_utc()
    record = RunRecord(
        run_id=identity,
        flight=config.flight.name,
        software=software(),
        started=work.started,
        ended=ended,
        follows=follows,
        outcome="partial" if work.refused else "whole",
        verdict=run_verdict(checks),
        says=sentence(checks, work.refused),
        cubes=cube_rows(prepared, work.results, work.refused),
        panels=panel_rows(prepared),
        checks=tuple(worst_first(checks)),
        timings={name: round(seconds, 3) for name, seconds in work.timings.items()},
        config=json.loads(config.work),
        config_sha256=config.sha256,
        inputs=tuple(inputs),
        outputs=tuple(
            Output(p.relative_to(place).as_posix(), p.stat().st_size, sha)
            for p, sha in digests.items()
        ),
        steps=steps_of(prepared),
    )
    publish.write_text(place / RUN_JSON, record.to_text())
    write_report(place / "report.html", record, data, drawn.result())
    for name in (RUN_JSON, "report.html"):
        digests[place / name] = digest_of(place / name)
    publish.write_checksums(place, dict(sorted(digests.items())))
    return record


def _flushed_sha256(path: Path) -> str:
    """SHA-256 of a file on its way to the disk: publishing has little left to wait for."""
    flush(path)
    return digest_of(path)


def _input_digests(work: Work) -> dict[Path, str]:
    """SHA-256 of every input that was read to its end."""
    prepared = work.prepared
    config, inventory = prepared.config, prepared.recording.inventory
    by_cube = {result.name: result.raw_sha256 for result in work.results}
    found = {c.data: by_cube[c.name] for c in inventory.cubes if c.name in by_cube}
    cubes = {c.data for c in inventory.cubes}
    others = [path for path in raw_inputs(inventory) if path not in cubes]
    for path in (*small_inputs(config, inventory), *others):
        found[path] = prepared.digests[input_name(config, path)]
    return found


def _inputs(prepared: Preparation, sha256_of: Mapping[Path, str]) -> list[Input]:
    """Every input with its role, size and digest, in order of their names."""
    config, inventory = prepared.config, prepared.recording.inventory
    roles: dict[Path, str] = {panel.certificate: "certificate" for panel in config.panel}
    for role in ("track", "regions", "irradiance"):
        path = getattr(config.flight, role)
        if path is not None:
            roles[path] = role
    if inventory.manifest_path is not None:
        roles[inventory.manifest_path] = "manifest"
    roles |= dict.fromkeys(inventory.line_times.values(), "line times")
    roles |= dict.fromkeys((c.data for c in inventory.cubes), "cube")
    roles |= dict.fromkeys((c.data for c in inventory.darks), "dark")
    if inventory.flat is not None:
        roles[inventory.flat.data] = "flat"
    inputs = [
        Input(input_name(config, path), path.stat().st_size, sha256, roles.get(path, "header"))
        for path, sha256 in sha256_of.items()
    ]
    return sorted(inputs, key=lambda i: i.name)


def _keep(prepared: Preparation, memory: DigestMemory) -> None:
    """Keep the measurement for a rerun, unless it came from one."""
    every = with_raw(prepared.config, prepared.recording.inventory, prepared.digests, memory)
    if every is None or prepared.from_kept:
        return
    key = kept.measurement_key(prepared.config, every)
    kept.save(kept_folder(prepared.config), key, prepared.measured)
