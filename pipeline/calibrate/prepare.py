"""All that comes before the cubes: darks, elements, flat, panels, light, empirical line."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from pipeline.calibrate.fit import Fit, fit_panels
from pipeline.calibrate.flight_day import on_its_day
from pipeline.calibrate.input_manifest import InputManifest, take_inputs
from pipeline.calibrate.light import Light, follow_light
from pipeline.calibrate.measure import Measured, measure
from pipeline.calibrate.panels.readings import references
from pipeline.calibrate.recording import Recording, read_recording
from pipeline.config.flight import Config
from pipeline.progress.protocol import Progress, Silent


@dataclass(frozen=True, eq=False)
class Preparation:
    """Everything known before a cube is calibrated, in the order in which it is learnt."""

    config: Config
    recording: Recording
    measured: Measured
    from_kept: bool  # the measurement is an earlier run's
    light: Light
    fit: Fit
    inputs: InputManifest  # the cubes' digests come later


def prepare(
    config: Config,
    progress: Progress | None = None,
    inputs: InputManifest | None = None,
    kept: Callable[[InputManifest], Measured | None] | None = None,
    workers: int | None = None,
) -> Preparation:
    """Read what is needed to calibrate a flight, and fit its empirical line.

    Parameters
    ----------
    progress : is told how far it is
    inputs : what `take_inputs` found, where that is known already
    kept : gives an earlier measurement of these inputs, or None
    workers : threads; all processors where None

    Raises
    ------
    ReflectoryError
        The first thing that makes the flight impossible to calibrate.
    """
    config = on_its_day(config)
    inputs = inputs or take_inputs(config)
    recording = read_recording(config, inputs.found)
    certified = references(config, recording.cubes[0])
    earlier = kept(inputs) if kept is not None else None
    measured = earlier or measure(
        config, recording, certified, progress or Silent(), workers or os.cpu_count() or 1
    )
    light = follow_light(config.calibration.illumination, recording, measured.readings, certified)
    return Preparation(
        config=config,
        recording=recording,
        measured=measured,
        from_kept=earlier is not None,
        light=light,
        fit=fit_panels(config, certified, measured.readings, light),
        inputs=inputs.with_digests({Path(p): sha for p, sha in measured.raw_digests.items()}),
    )
