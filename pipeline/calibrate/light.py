"""The light over a flight: irradiance ratio at the panels and at every line."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from pipeline.calibrate.recording import Recording
from pipeline.radiometry import illumination
from pipeline.radiometry.illumination import LightCurve, Passes
from pipeline.records import Array, Illumination, PanelReading, PanelReference


@dataclass(frozen=True, eq=False)
class Light:
    """What is known of the light."""

    method: str  # calibration.illumination
    curve: LightCurve | None  # None where the light is supposed and not seen
    at_panels: Illumination  # at each reading's time
    by_cube: Mapping[str, Illumination]


def follow_light(
    method: str,
    recording: Recording,
    readings: Sequence[PanelReading],
    certified: Sequence[PanelReference],
) -> Light:
    """Irradiance ratio at each reading, and for each cube's lines, by `calibration.illumination`.

    CalibrationError where the log or the passes cannot tell.
    """
    at = np.array([r.time_s for r in readings])
    curve: LightCurve | None = None
    make: Callable[[Array], Illumination] = _supposed_constant(recording, at)
    match method:
        case "clear sky":
            make = _clear_sky(recording, at)
        case "irradiance log":
            log = recording.log
            assert log is not None  # the config's own rule
            curve = illumination.curve_from_log(
                log.time_s,
                log.irradiance,
                at,
                line_time=recording.line_s,
                log_wavelength_nm=log.wavelength_nm,
                wavelength_nm=recording.wavelength_nm,
            )
        case "panel passes":
            passes = passes_over(readings)
            illumination.require_repeated(passes, recording.line_s)
            curve = _curve_of_passes(passes, certified)
    if curve is not None:
        make = partial(illumination.illumination_at, curve)
    return Light(
        method,
        curve,
        make(at),
        {name: make(times.time_s) for name, times in recording.times.items()},
    )


def _clear_sky(recording: Recording, panel_s: Array) -> Callable[[Array], Illumination]:
    """A cloudless sky's light at any times, by band."""
    place, first = recording.place, recording.cubes[0]
    assert place is not None  # the config's own rule
    return partial(
        illumination.clear_sky,
        panel_time=panel_s,
        wavelength_nm=first.wavelength_nm,
        fwhm_nm=first.fwhm_nm,
        latitude=place[0],
        longitude=place[1],
    )


def _supposed_constant(recording: Recording, panel_s: Array) -> Callable[[Array], Illumination]:
    """Light that is taken as constant; with a known position, as uncertain as the sun moves it."""
    place = recording.place
    if place is None or not np.isfinite(panel_s).any():
        return lambda time_s: illumination.constant(time_s.size)
    return partial(
        illumination.constant_under_sun,
        panel_time=panel_s,
        latitude=place[0],
        longitude=place[1],
    )


def passes_over(readings: Sequence[PanelReading]) -> Passes:
    """The readings as passes over panels."""
    return illumination.passes_of(
        [r.panel for r in readings],
        np.array([r.time_s for r in readings]),
        np.stack([r.signal for r in readings]),
        np.stack([r.uncertainty for r in readings]),
    )


def _curve_of_passes(passes: Passes, certified: Sequence[PanelReference]) -> LightCurve:
    """The light curve through all passes of all panels, tied by their certificates."""
    by_name = {reference.name: reference for reference in certified}
    panels = [by_name[name] for name in passes.panel]
    return illumination.curve_from_passes(
        passes,
        np.array([panel.reflectance for panel in panels]),
        np.array([panel.uncertainty for panel in panels]),
        by_band=False,
    )
