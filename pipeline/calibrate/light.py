"""The light over a flight: irradiance ratio at the panels and at every line."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.calibrate.recording import Recording
from pipeline.radiometry import illumination
from pipeline.records import Array, Illumination, PanelReading


@dataclass(frozen=True, eq=False)
class Light:
    """What is known of the light."""

    method: str  # calibration.illumination
    at_panels: tuple[float, ...]  # irradiance ratio at each reading's time
    by_cube: Mapping[str, Illumination]


def follow_light(method: str, recording: Recording, readings: Sequence[PanelReading]) -> Light:
    """Irradiance ratio at each reading, and for each cube's lines, by `calibration.illumination`.

    CalibrationError where the log or the passes cannot tell.
    """
    at = np.array([r.time_s for r in readings])
    make: Callable[[Array], Illumination]
    match method:
        case "irradiance log":
            log = recording.log
            assert log is not None  # the config's own rule

            def make(t: Array) -> Illumination:
                return illumination.from_log(t, log.time_s, log.irradiance, at)
        case "panel passes":
            level, u = pass_levels(readings)

            def make(t: Array) -> Illumination:
                return illumination.from_passes(t, at, level, u)
        case _:

            def make(t: Array) -> Illumination:
                return illumination.constant(t.size)

    return Light(
        method,
        tuple(float(q) for q in make(at).ratio),
        {name: make(times.time_s) for name, times in recording.times.items()},
    )


def pass_levels(readings: Sequence[PanelReading]) -> tuple[Array, Array]:
    """Level of each reading over its panel's mean, and its standard uncertainty.

    A panel's signal over the mean of its passes, the median over bands; NaN for a panel that was
    passed once, which cannot tell.
    """
    level, u = np.full(len(readings), np.nan), np.full(len(readings), np.nan)
    for name in {r.panel for r in readings}:
        rows = [i for i, r in enumerate(readings) if r.panel == name]
        if len(rows) < 2:
            continue
        signal = np.stack([readings[i].signal for i in rows])
        with np.errstate(invalid="ignore", divide="ignore"):
            relative = signal / signal.mean(axis=0)
            own = np.stack([readings[i].uncertainty for i in rows]) / signal.mean(axis=0)
        clear = np.isfinite(relative) & (own < 0.05)
        for k, i in enumerate(rows):
            if clear[k].any():
                level[i] = np.median(relative[k][clear[k]])
                u[i] = np.median(own[k][clear[k]])
    return level, u
