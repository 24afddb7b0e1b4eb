"""`check`: all of a run but the cubes, for the field."""

from __future__ import annotations

import json
import time
from pathlib import Path

from pipeline.assess.flight_checks import without_cubes
from pipeline.calibrate.input_manifest import require_unchanged
from pipeline.calibrate.prepare import prepare
from pipeline.calibrate.scene_sample import SCENE_LINES
from pipeline.config.flight import Config, load_config, require_output_folder
from pipeline.flight.known_before import known_before
from pipeline.flight.record_rows import panel_rows, refused_rows, sentence
from pipeline.progress.protocol import Progress
from pipeline.radiometry.checks.verdict import run_verdict, worst_first
from pipeline.write.attributes import now_utc
from pipeline.write.provenance import software
from pipeline.write.run_record import LookedAtCube, RunRecord


def look(config: Config | str | Path, *, progress: Progress | None = None) -> RunRecord:
    """Judge a flight from its darks, its panels and a thin part of each strip.

    Returns
    -------
    The record of a run without the cubes' results; nothing is written.
    """
    if not isinstance(config, Config):
        config = load_config(config)
    require_output_folder(config)
    started, clock = now_utc(), time.perf_counter()
    prepared = prepare(config, progress)
    config = prepared.config
    checks, quantities = known_before(prepared)
    checks += without_cubes(prepared)
    panels = panel_rows(prepared)
    require_unchanged(prepared.inputs)
    refused = prepared.recording.inventory.refused
    return RunRecord(
        run_id=None,
        flight=config.flight.name,
        software=software(),
        started=started,
        ended=now_utc(),
        outcome="partial" if refused else "whole",
        verdict=run_verdict(checks),
        says=sentence(checks, refused),
        looked_at=f"the darks, the panels and {SCENE_LINES} lines of each strip",
        cubes=(
            *(LookedAtCube(cube=c.name) for c in prepared.recording.cubes),
            *refused_rows(refused),
        ),
        panels=panels,
        checks=tuple(worst_first(checks)),
        quantities=quantities,
        timings={"prepare": round(time.perf_counter() - clock, 3)},
        config=json.loads(config.work),
        config_sha256=config.sha256,
    )
