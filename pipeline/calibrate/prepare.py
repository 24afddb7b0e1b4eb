"""All that comes before the cubes: darks, elements, flat, panels, light, empirical line."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from pipeline.calibrate.fit import Fit, fit_panels
from pipeline.calibrate.input_manifest import input_name, small_inputs
from pipeline.calibrate.light import Light, follow_light
from pipeline.calibrate.measure import Measured, measure
from pipeline.calibrate.panels.readings import references
from pipeline.calibrate.recording import Recording, read_recording
from pipeline.config.flight import Config
from pipeline.files import file_sha256
from pipeline.progress.protocol import Progress, Silent
from pipeline.read.inventory import Inventory, take_inventory


@dataclass(frozen=True, eq=False)
class Preparation:
    """Everything known before a cube is calibrated, in the order in which it is learnt."""

    config: Config
    recording: Recording
    measured: Measured
    from_kept: bool  # the measurement is an earlier run's
    light: Light
    fit: Fit
    digests: Mapping[str, str]  # input's name to SHA-256; the cubes' come later


def prepare(
    config: Config,
    progress: Progress | None = None,
    found: Inventory | None = None,
    kept: Callable[[Mapping[str, str]], Measured | None] | None = None,
) -> Preparation:
    """Read what is needed to calibrate a flight, and fit its empirical line.

    Parameters
    ----------
    progress : is told how far it is
    found : what `take_inventory` found, where that is known already
    kept : gives an earlier measurement, by the digests of the small inputs, or None

    Raises
    ------
    ReflectoryError
        The first thing that makes the flight impossible to calibrate.
    """
    recording = read_recording(config, found or take_inventory(config))
    inventory = recording.inventory
    digests = {
        input_name(config, path): file_sha256(path) for path in small_inputs(config, inventory)
    }
    certified = references(config, recording.cubes[0])
    earlier = kept(digests) if kept is not None else None
    measured = earlier or measure(config, recording, certified, progress or Silent())
    for capture in (*inventory.darks, *([inventory.flat] if inventory.flat else [])):
        digests[input_name(config, capture.data)] = measured.raw_digests[capture.name]
    light = follow_light(config.calibration.illumination, recording, measured.readings, certified)
    return Preparation(
        config=config,
        recording=recording,
        measured=measured,
        from_kept=earlier is not None,
        light=light,
        fit=fit_panels(config, certified, measured.readings, light),
        digests=digests,
    )
