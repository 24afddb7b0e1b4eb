"""The end of a run: inputs listed, checks joined, `run.json`, report and checksums written."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.assess.flight_checks import after_cubes, past_rows
from pipeline.assess.strip_checks import overlaps
from pipeline.calibrate.input_manifest import InputManifest
from pipeline.calibrate.prepare import Preparation
from pipeline.config.flight import Config
from pipeline.flight.all_cubes import Cubes
from pipeline.flight.finished_runs import finished_runs
from pipeline.flight.record_rows import cube_rows, panel_rows, sentence, steps_of
from pipeline.flight.report_inputs import page_data
from pipeline.flight.run_folders import run_id
from pipeline.flight.timings import Timings
from pipeline.radiometry.checks.past_flights import Comparison
from pipeline.radiometry.checks.verdict import run_verdict, worst_first
from pipeline.radiometry.squares import Overlap
from pipeline.records import Check
from pipeline.write import publish
from pipeline.write.attributes import now_utc
from pipeline.write.checksums import sha256_of
from pipeline.write.flush import flush
from pipeline.write.formats import FORMATS
from pipeline.write.page.page import draw_strips, write_report
from pipeline.write.page.small_picture import PICTURE, write_small_picture
from pipeline.write.provenance import Input, Output, late_attributes, software
from pipeline.write.quantities import Quantities
from pipeline.write.run_record import RUN_JSON, RunRecord
from pipeline.write.small_file import write_text

#: Compares a flight, by its config and quantities, with the campaign's flights before it: camera
#: and panels. What it finds is no part of the run's id: the same work is the same run.
Past = Callable[[Config, Quantities], tuple[Comparison, Comparison]]


@dataclass(frozen=True, eq=False)
class Work:
    """A run whose cubes are written, in its staging folder."""

    prepared: Preparation
    inputs: InputManifest  # as they were read, each with its digest
    place: Path
    started: str
    timings: Timings
    cubes: Cubes
    checks: list[Check]  # those made before the cubes
    quantities: Quantities
    past: Past | None = None  # compares the flight with those before it


def finish(work: Work, *, workers: int) -> RunRecord:
    """Write all but the cubes into the staging folder; the run's record."""
    prepared, place, cubes = work.prepared, work.place, work.cubes
    config = prepared.config
    identity = run_id(config, work.inputs)
    follows = _run_before(identity, place.parent)
    inputs = _provenance(work.inputs)
    late = late_attributes(identity, follows, inputs)
    for result in cubes.written:
        FORMATS[config.output.format].set_attributes(result.path, late)
    (place / "config.toml").write_text(config.text, encoding="utf-8")
    files = publish.files_below(place)
    # Digests take as long as all the rest: it is done meanwhile.
    with ThreadPoolExecutor(workers) as pool:
        digesting = pool.map(_flushed_sha256, files)
        shared = overlaps(prepared, cubes.written)
        data = page_data(prepared, cubes.written, shared)
        drawn = draw_strips(data)
        judged = _judged(work, identity, follows, inputs, shared)
        write_report(place / "report.html", judged, data, drawn)
        pictured = write_small_picture(place / PICTURE, drawn.strips)
        digests = dict(zip(files, digesting, strict=True))
    work.timings.ends("finish")
    record = replace(
        judged,
        timings=work.timings.as_dict(),
        outputs=tuple(
            Output(p.relative_to(place).as_posix(), p.stat().st_size, sha)
            for p, sha in digests.items()
        ),
    )
    write_text(place / RUN_JSON, record.to_text())
    for name in (RUN_JSON, "report.html", *([PICTURE] if pictured else [])):
        digests[place / name] = sha256_of(place / name)
    publish.write_checksums(place, dict(sorted(digests.items())))
    return record


def _judged(
    work: Work,
    identity: str,
    follows: str | None,
    inputs: tuple[Input, ...],
    shared: Sequence[Overlap],
) -> RunRecord:
    """The run's record, but for its timings and the digests of its outputs."""
    prepared, cubes = work.prepared, work.cubes
    config = prepared.config
    checks = work.checks + after_cubes(prepared, cubes.written, work.inputs.sha256_of, shared)
    if work.past is not None:
        checks += past_rows(config, *work.past(config, work.quantities))
    return RunRecord(
        run_id=identity,
        flight=config.flight.name,
        software=software(),
        started=work.started,
        ended=now_utc(),
        follows=follows,
        outcome="partial" if cubes.refused else "whole",
        verdict=run_verdict(checks),
        says=sentence(checks, cubes.refused),
        cubes=cube_rows(prepared, cubes.written, cubes.refused),
        panels=panel_rows(prepared),
        checks=tuple(worst_first(checks)),
        quantities=work.quantities,
        timings={},
        config=json.loads(config.work),
        config_sha256=config.sha256,
        inputs=inputs,
        outputs=(),
        steps=steps_of(prepared),
    )


def _flushed_sha256(path: Path) -> str:
    """SHA-256 of a file on its way to the disk: publishing has little left to wait for."""
    flush(path)
    return sha256_of(path)


def _run_before(identity: str, folder: Path) -> str | None:
    """The newest run of the flight but this one; None where it is the first."""
    earlier = [run.name for run in finished_runs(folder) if run.name != identity]
    return earlier[-1] if earlier else None


def _provenance(inputs: InputManifest) -> tuple[Input, ...]:
    """Every input that was read to its end, in order of their names."""
    return tuple(Input(f.name, f.bytes, f.sha256, f.role) for f in inputs if f.sha256)
