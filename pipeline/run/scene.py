"""A thin, stated part of each strip: enough to judge a flight before its cubes are calibrated."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.read.cubes import RawCube, thin_lines
from pipeline.records import Array, Array32, Capture, Mask

#: Lines read of each cube, evenly spread from first to last.
SCENE_LINES = 48

#: Samples kept of each thin line as they are.
THIN_SAMPLES = 32

SignalOf = Callable[[Capture, NDArray[np.intp], NDArray[np.generic]], Array32]


@dataclass(frozen=True, eq=False)
class SceneSample:
    """What a cube's thin lines say; all from the lines `lines` alone."""

    cube: str
    lines: NDArray[np.intp]
    mean: Array32  # (band, sample) [count], mean signal over the lines
    temporal_sd: Array32  # (band, sample) [count], over the same lines
    line_level: Array  # (line,) [count], mean signal over bands and samples
    line_spectrum: Array32  # (line, band) [count], mean signal over samples
    thin: Array32  # (pixel, band) [count], signal of a few samples of each line
    median: Array  # (band,) [count], median signal
    saturated: Array  # (band,) share of samples at saturation


def sample_scene(
    capture: Capture, signal_of: SignalOf, saturation_counts: float, wanted: int = SCENE_LINES
) -> SceneSample:
    """Read a cube's thin lines and reduce them at once."""
    lines = thin_lines(capture.lines, wanted)
    shape = (capture.wavelength_nm.size, capture.samples)
    total, squares = np.zeros(shape), np.zeros(shape)
    saturated = np.zeros(shape[0])
    spectra = np.empty((lines.size, shape[0]), np.float32)
    kept = []
    with RawCube(capture) as raw:
        for i, line in enumerate(lines):
            counts = raw.lines(int(line), int(line) + 1)
            saturated += (counts[0] >= saturation_counts).mean(axis=1)
            signal = signal_of(capture, lines[i : i + 1], counts)[0].astype(np.float64)
            total += signal
            squares += signal * signal
            spectra[i] = signal.mean(axis=1)
            kept.append(signal[:, :: max(capture.samples // THIN_SAMPLES, 1)].astype(np.float32))
    n = lines.size
    mean = total / n
    variance = np.maximum(squares / n - mean * mean, 0) * (n / max(n - 1, 1))
    return SceneSample(
        cube=capture.name,
        lines=lines,
        mean=mean.astype(np.float32),
        temporal_sd=np.sqrt(variance).astype(np.float32),
        line_level=spectra.mean(axis=1).astype(np.float64),
        line_spectrum=spectra,
        thin=np.concatenate([part.T for part in kept]),
        median=np.median(np.stack(kept), axis=(0, 2)).astype(np.float64),
        saturated=saturated / n,
    )


def pooled(samples: list[SceneSample]) -> tuple[Array, Array]:
    """Mean and temporal standard deviation over all cubes' thin lines, (band, sample) each."""
    count = np.array([s.lines.size for s in samples], np.float64)[:, None, None]
    mean = (np.stack([s.mean for s in samples]) * count).sum(axis=0) / count.sum()
    within = (np.stack([s.temporal_sd**2 for s in samples]) * count).sum(axis=0) / count.sum()
    between = (np.stack([(s.mean - mean) ** 2 for s in samples]) * count).sum(axis=0) / count.sum()
    return mean, np.sqrt(within + between)


def without(mean: Array, bad: Mask) -> Array:
    """A (band, sample) mean with NaN at bad elements."""
    return np.where(bad, np.nan, mean)
