"""The detector: what its elements do without light and with it, in counts."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.calibrate.darks import CHUNK_FRAMES, CubeDark, dark_of
from pipeline.calibrate.panels.passes import PanelPass
from pipeline.calibrate.panels.readings import PanelLines
from pipeline.calibrate.scene_sample import SceneSample, pooled, without
from pipeline.errors import InputError
from pipeline.radiometry import elements
from pipeline.radiometry.equation import counts_from_signal, noise_variance, signal_from_counts
from pipeline.radiometry.flat import flat_field, response_spread, without_response
from pipeline.radiometry.noise import PhotonTransfer, difference_variance, photon_transfer
from pipeline.read.registry import open_capture
from pipeline.read.tables import line_times_from_start
from pipeline.records import (
    Array,
    Array32,
    BadElements,
    Capture,
    DarkCapture,
    FlatField,
    LineTimes,
    Mask,
    PanelReading,
)

#: Lines of the flat capture that photon transfer looks at.
FLAT_LINES = 200
#: Scene lines from which a deviation too small tells a stuck element: among fewer it is chance.
LEAST_LINES = 8
#: A flat that cannot give the response of more than this share of the elements is none.
MOST_BLIND = 0.5


@dataclass(frozen=True, eq=False)
class Detector:
    """Darks, noise, bad elements and relative response of the camera on this flight."""

    darks: tuple[DarkCapture, ...]
    noise: Array32  # (band, sample) [count], temporal standard deviation of one frame
    bad: BadElements
    flat: FlatField
    flat_signal: Array | None  # (band, sample) [count], mean of the flat over its own response
    transfer: PhotonTransfer
    electrons_per_count: float  # the config's, or else the photon transfer's; NaN where neither

    def dark_of(self, times: LineTimes, capture: Capture) -> CubeDark:
        """The dark signal of a cube's lines."""
        return dark_of(self.darks, times, capture)


@dataclass(frozen=True, eq=False)
class FlatReading:
    """A capture of a uniform target, read."""

    flat: FlatField
    mean: Array  # (band, sample) [count], over the lines, dark subtracted
    points: tuple[Array, Array]  # photon transfer: mean [count] and variance [count^2], (band,)
    blind: Mask  # (band, sample) elements whose response it cannot give
    sha256: str

    def over_response(self, response: Array32, bad: Mask) -> Array:
        """Mean over the response that is used, NaN at bad elements, (band, sample) [count]."""
        return np.where(bad, np.nan, signal_from_counts(self.mean, 0.0, response))


def no_flat(shape: tuple[int, ...]) -> FlatField:
    """Response 1 everywhere."""
    return FlatField(np.ones(shape, np.float32), np.zeros(shape, np.float32))


def read_flat(
    capture: Capture,
    darks: tuple[DarkCapture, ...],
    noise: Array32,
    bad: Mask,
    saturation_counts: float,
) -> FlatReading:
    """Relative response from the flat capture, its mean, photon transfer points and SHA-256."""
    if capture.lines < 2:
        raise InputError(
            "the flat has a single line, whose noise nothing tells from the response",
            where=capture.data,
            do="Record it again with a hundred lines, or leave flight.flat out",
        )
    digest = hashlib.sha256()
    times = line_times_from_start(capture.settings, capture.lines)
    at = dark_of(darks, times, capture)
    total = np.zeros(noise.shape)
    squares = np.zeros(noise.shape)
    saturated = np.zeros(noise.shape)
    with open_capture(capture) as raw:
        for start, counts in raw.blocks(CHUNK_FRAMES, digest=digest):
            net = counts.astype(np.float64) - at.middle
            saturated += (counts >= saturation_counts).sum(axis=0)
            raw.give_back(start)
            total += net.sum(axis=0)
            squares += (net * net).sum(axis=0)
        some = raw.lines(0, min(FLAT_LINES, capture.lines))
    mean = total / capture.lines
    spread = np.sqrt(np.maximum(squares / capture.lines - mean * mean, 0))
    deviation = np.maximum(spread, noise)
    share = saturated / capture.lines
    blind = without_response(mean, deviation, capture.lines, bad, share)
    lost = (blind | (np.median(mean, axis=1, keepdims=True) <= 0)).mean()
    if lost > MOST_BLIND:
        raise InputError(
            f"the flat is saturated or without light in {100 * lost:.0f} % of its elements",
            where=capture.data,
            do="Record it again at half the exposure of its peak, or leave flight.flat out",
        )
    net = some.astype(np.float64) - at.middle
    net[np.broadcast_to(bad, net.shape) | (some >= saturation_counts)] = np.nan
    good = ~bad & (mean < 0.98 * saturation_counts)
    level = _band_mean(mean, good)
    return FlatReading(
        flat_field(mean, deviation, capture.lines, bad | blind),
        mean,
        (level, difference_variance(net)),
        blind,
        digest.hexdigest(),
    )


def _band_mean(values: Array, good: Mask) -> Array:
    """Mean over the good samples of each band; 0 where there is none."""
    return np.asarray(np.where(good, values, 0).sum(axis=1) / np.maximum(good.sum(axis=1), 1))


def where_measuring(flat: FlatField, bad: Mask) -> FlatField:
    """The flat with response 1 at bad elements: what a dead one has is no response."""
    return replace(
        flat,
        response=np.where(bad, 1, flat.response),
        uncertainty=np.where(bad, 0, flat.uncertainty),
    )


def unmeasured_response(
    bad: Mask,
    lines: Sequence[PanelLines],
    readings: Sequence[PanelReading],
    noise: Array32,
    electrons_per_count: float,
) -> FlatField:
    """Response 1 with the uncertainty that the panels' own elements show."""
    profiles, variances = [], []
    for part, reading in zip(lines, readings, strict=True):
        across = slice(*reading.samples)
        mean = part.signal[:, :, across].mean(axis=0, dtype=np.float64)
        own = noise_variance(mean, noise[:, across].astype(np.float64), 1.0, electrons_per_count)
        variances.append(own / len(part.signal))
        clear = ~bad[:, across] & (reading.saturated_share == 0)[:, None]
        profiles.append(np.where(clear, mean, np.nan))
    spread = response_spread(profiles, variances)
    u = np.where(bad, 0, spread).astype(np.float32)
    return FlatField(np.ones(bad.shape, np.float32), u, smooth=True)


def bad_elements(
    dark_bad: BadElements,
    scenes: Sequence[SceneSample],
    lines: Sequence[PanelLines],
    response: Array32,
) -> BadElements:
    """Bad elements of the darks and, from scene and panel lines, those that see no light.

    The division by the response is undone: a dead element over its own response looks alive.
    """
    means, deviation = [], None
    if scenes:
        mean, spread = pooled(list(scenes))
        means.append(mean)
        if sum(scene.lines.size for scene in scenes) >= LEAST_LINES:
            deviation = without(spread * response, dark_bad.any)
    for part in lines:
        means.append(part.mean)
    above_dark = counts_from_signal(np.mean(means, axis=0), 0.0, response)
    mean = without(np.asarray(above_dark, np.float64), dark_bad.any)
    dead, stuck = elements.bad_in_light(mean, temporal_sd=deviation)
    none = np.zeros_like(dead)
    return elements.merge(dark_bad, BadElements(hot=none, dead=dead, stuck=stuck, noisy=none))


def transfer_of(
    passes: Sequence[PanelPass],
    bad: Mask,
    noise: Array32,
    flat: FlatReading | None,
    saturation_counts: float,
) -> PhotonTransfer:
    """Photon transfer from the panels' points and the flat's; NaN with neither."""
    parts = [one.points for one in passes if one.points is not None]
    mean = [p.mean for p in parts]
    variance = [p.variance for p in parts]
    dark_variance = [p.dark_variance for p in parts]
    if flat is not None:
        mean.append(flat.points[0])
        variance.append(flat.points[1])
        dark_variance.append(_band_mean(noise.astype(np.float64) ** 2, ~bad))
    if not mean:
        return PhotonTransfer(math.nan, math.nan, math.nan)
    return photon_transfer(
        np.concatenate(mean),
        np.concatenate(variance),
        np.concatenate(dark_variance),
        saturation_counts=saturation_counts,
    )
