"""Panels: from a place in the config to a reading, from readings to the fit's points."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.scene_sample import SignalOf
from pipeline.config.flight import Config
from pipeline.config.panel import Panel, Window
from pipeline.errors import ConfigError, ReflectoryError
from pipeline.radiometry.bands import reference_for_bands
from pipeline.radiometry.empirical_line import combine_passes
from pipeline.radiometry.equation import counts_from_signal
from pipeline.radiometry.noise import difference_variance
from pipeline.radiometry.panels.core import SATURATED_SHARE_LEAVES_FIT, core_window, read_panel
from pipeline.read.certificate import read_certificate, require_cover, require_no_gap
from pipeline.read.registry import open_capture
from pipeline.records import (
    Array,
    Array32,
    Capture,
    Illumination,
    LineTimes,
    Mask,
    PanelReading,
    PanelReference,
)


@dataclass(frozen=True, eq=False)
class PanelWindow:
    """Where a panel lies in a cube, half-open, and how that is known."""

    panel: str
    cube: str
    lines: tuple[int, int]
    samples: tuple[int, int]
    how: str  # window, region or search


@dataclass(frozen=True, eq=False)
class PanelLines:
    """All samples of a panel's lines, raw and as signal."""

    window: PanelWindow
    counts: NDArray[Any]  # (line, band, sample)
    signal: Array32  # (line, band, sample) [count]
    mean: Array  # (band, sample) [count], of the signal over lines


@dataclass(frozen=True, eq=False)
class TransferPoints:
    """Points of a photon transfer from one panel; (band,) each [count, count^2]."""

    mean: Array
    variance: Array
    dark_variance: Array


def windows_in_config(
    config: Config,
    cubes: Mapping[str, Capture],
    refused: Mapping[str, ReflectoryError] = MappingProxyType({}),
) -> list[PanelWindow]:
    """The windows that the config gives outright; ConfigError where one lies outside its cube.

    A window given again for the same panel is one reading: the same pixels know no more.
    """
    found: dict[tuple[object, ...], PanelWindow] = {}
    for i, panel in enumerate(config.panel):
        for place in panel.where:
            if not isinstance(place, Window):
                continue
            key = f"{config.path}: panel[{i}].where"
            capture = cubes.get(place.cube)
            if capture is None:
                why = refused.get(place.cube)
                raise ConfigError(
                    f"cube {place.cube!r} cannot be used: {why}"
                    if why
                    else f"no usable cube {place.cube!r}; there are {', '.join(cubes)}",
                    where=f"{key}.cube",
                )
            for name, span, size in (
                ("lines", place.lines, capture.lines),
                ("samples", place.samples, capture.samples),
            ):
                if span[1] > size:
                    raise ConfigError(
                        f"{list(span)} lies outside cube {place.cube}, which has {size} {name}",
                        where=f"{key}.{name}",
                    )
            lines, samples = core_window(place.lines, place.samples)
            window = PanelWindow(panel.name, place.cube, lines, samples, "window")
            found.setdefault((panel.name, place.cube, lines, samples), window)
    return list(found.values())


def stretches(windows: Sequence[PanelWindow]) -> list[list[PanelWindow]]:
    """Windows by stretch of lines: those of one cube whose lines overlap are read together."""
    found: list[list[PanelWindow]] = []
    end = 0
    for window in sorted(windows, key=lambda w: (w.cube, w.lines)):
        if found and found[-1][0].cube == window.cube and window.lines[0] < end:
            found[-1].append(window)
            end = max(end, window.lines[1])
        else:
            found.append([window])
            end = window.lines[1]
    return found


def read_lines(
    stretch: Sequence[PanelWindow], capture: Capture, signal_of: SignalOf
) -> list[PanelLines]:
    """Read all samples of the lines of a stretch's windows, each line once."""
    start, stop = min(w.lines[0] for w in stretch), max(w.lines[1] for w in stretch)
    with open_capture(capture) as raw:
        counts = raw.lines(start, stop)
    signal = signal_of(capture, np.arange(start, stop), counts)
    # Panels that lie side by side have their lines in common.
    parts = {w.lines: slice(w.lines[0] - start, w.lines[1] - start) for w in stretch}
    mean = {at: signal[p].mean(axis=0, dtype=np.float64) for at, p in parts.items()}
    return [
        PanelLines(w, counts[parts[w.lines]], signal[parts[w.lines]], mean[w.lines])
        for w in stretch
    ]


def read_core(
    lines: PanelLines,
    times: LineTimes,
    *,
    bad: Mask,
    dark_uncertainty: Array32,
    saturation_counts: float,
) -> PanelReading:
    """Mean signal of a panel's core."""
    window = lines.window
    part = slice(*window.samples)
    counts = lines.counts[:, :, part]
    core = read_panel(
        lines.signal[:, :, part],
        np.asarray(counts >= saturation_counts),
        bad[:, part],
        dark_uncertainty[:, part],
        raw=counts,
    )
    return PanelReading(
        panel=window.panel,
        cube=window.cube,
        lines=window.lines,
        samples=window.samples,
        core=core.core,
        time_s=float(np.mean(times.time_s[slice(*window.lines)])),
        signal=core.signal,
        uncertainty=core.uncertainty,
        dark_uncertainty=core.dark_uncertainty,
        saturated_share=core.saturated_share,
        uniformity=core.uniformity,
        peak_counts=core.peak_counts,
        how=window.how,
    )


def transfer_points(
    lines: PanelLines,
    reading: PanelReading,
    *,
    bad: Mask,
    noise: Array32,
    response: Array32,
    saturation_counts: float,
) -> TransferPoints:
    """Mean and temporal variance per band over a panel's core, for a photon transfer."""
    part = slice(*reading.samples)
    # Photons know nothing of the flat: its division is undone.
    net = counts_from_signal(lines.signal[:, :, part].astype(np.float64), 0.0, response[:, part])
    clear = (lines.counts[:, :, part] < saturation_counts) & ~bad[:, part] & reading.core[:, None]
    net[~clear] = np.nan
    good = ~bad[:, part]
    weight = np.maximum(good.sum(axis=1), 1)
    dark_variance = (np.where(good, noise[:, part].astype(np.float64) ** 2, 0)).sum(axis=1) / weight
    n = clear.sum(axis=(0, 2))
    mean = np.where(clear, net, 0).sum(axis=(0, 2)) / np.maximum(n, 1)
    # A band cut off by saturation has too small a variance.
    whole = reading.saturated_share == 0
    return TransferPoints(
        np.where(whole & (n > 0), mean, np.nan), difference_variance(net), dark_variance
    )


def references(config: Config, capture: Capture) -> list[PanelReference]:
    """Each panel's certificate over the bands, once a name, in order of the config."""
    made: dict[str, PanelReference] = {}
    for panel in config.panel:
        if panel.name not in made:
            made[panel.name] = _reference(config, panel, capture)
    return list(made.values())


def _reference(config: Config, panel: Panel, capture: Capture) -> PanelReference:
    certificate = read_certificate(panel.certificate, config.tables.certificate)
    require_cover(certificate, capture.wavelength_nm, panel.certificate)
    require_no_gap(certificate, capture.wavelength_nm, capture.fwhm_nm, panel.certificate)
    reference = reference_for_bands(
        name=panel.name,
        use=panel.use,
        wavelength_nm=certificate.wavelength_nm,
        reflectance=certificate.reflectance,
        expanded_uncertainty=certificate.expanded_uncertainty,
        coverage_factor=panel.coverage_factor,
        centre_nm=capture.wavelength_nm,
        fwhm_nm=capture.fwhm_nm,
    )
    return replace(reference, certificate=certificate)


@dataclass(frozen=True, eq=False)
class PanelPoints:
    """Panels as the empirical line takes them; (panel, band) each."""

    references: tuple[PanelReference, ...]
    signal: Array  # [count], at the reference irradiance
    uncertainty: Array
    usable: Mask

    def of(self, use: str) -> PanelPoints:
        """The panels of one use, "fit" or "check"."""
        rows = [i for i, reference in enumerate(self.references) if reference.use == use]
        return PanelPoints(
            tuple(self.references[i] for i in rows),
            self.signal[rows],
            self.uncertainty[rows],
            self.usable[rows],
        )


def combined(
    all_references: Sequence[PanelReference],
    readings: Sequence[PanelReading],
    light: Illumination,
) -> PanelPoints:
    """One point a panel from its passes, each brought to the reference irradiance.

    `light` is that at each reading's time; its uncertainty goes into the readings'.
    """
    passes: dict[str, list[int]] = defaultdict(list)
    for i, reading in enumerate(readings):
        passes[reading.panel].append(i)
    # (reading, band), of length 1 where the light is the same for all bands.
    q, u_q = np.atleast_2d(light.ratio).T, np.atleast_2d(light.uncertainty).T
    seen = [reference for reference in all_references if reference.name in passes]
    signal, uncertainty, usable = [], [], []
    for reference in seen:
        rows = passes[reference.name]
        clear = np.stack([readings[i].saturated_share <= SATURATED_SHARE_LEAVES_FIT for i in rows])
        values = np.stack([readings[i].signal for i in rows]) / q[rows]
        errors = np.stack([readings[i].uncertainty for i in rows]) / q[rows]
        errors = np.hypot(errors, values * u_q[rows] / q[rows])
        mean, u = combine_passes(np.where(clear, values, np.nan), errors)
        signal.append(mean)
        uncertainty.append(u)
        usable.append(clear.any(axis=0) & np.isfinite(mean) & reference.covered)
    return PanelPoints(tuple(seen), np.stack(signal), np.stack(uncertainty), np.stack(usable))
