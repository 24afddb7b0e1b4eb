"""A thin, stated part of each strip: enough to judge a flight before its cubes are calibrated."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.radiometry.recorder import Pile, pile_up, repeated_lines
from pipeline.radiometry.response import StripPixels
from pipeline.radiometry.unwritten import never_written, spans_between
from pipeline.read.reader import Reader, thin_lines
from pipeline.read.registry import open_capture
from pipeline.records import Array, Array32, Capture, Mask

#: Lines read of each cube, evenly spread from first to last.
SCENE_LINES = 48

#: Samples kept of each thin line as they are.
THIN_SAMPLES = 32

#: Samples from which equal counts across a row are no chance but a file's filling.
LEAST_UNIFORM_SAMPLES = 8

SignalOf = Callable[[Capture, NDArray[np.intp], NDArray[np.generic]], Array32]


@dataclass(frozen=True, eq=False)
class SceneSample:
    """What a cube's thin lines say; all from the lines `lines` alone."""

    cube: str
    lines: NDArray[np.intp]  # those that were written
    looked: NDArray[np.intp]  # all thin lines
    unwritten: tuple[tuple[int, int], ...]  # half-open spans of lines that were never written
    mean: Array32  # (band, sample) [count], mean signal over the lines
    temporal_sd: Array32  # (band, sample) [count], over the same lines
    line_level: Array  # (line,) [count], mean signal over bands and samples
    line_spectrum: Array32  # (line, band) [count], mean signal over samples
    thin: Array32  # (pixel, band) [count], signal of a few samples of each line
    median: Array  # (band,) [count], median signal
    saturated: Array  # (band,) share of samples at saturation
    uniform: Mask  # (looked line, band) whose samples all have the same count, below saturation
    nan_share: float  # of all samples: counts that are no number
    clear: Mask  # (line, thin sample): in no band saturated
    pile: Pile | None  # where the thin samples' counts gather below saturation
    repeated: int  # thin lines that repeat the thin line before exactly

    @property
    def pixels(self) -> StripPixels:
        """The thin pixels by line and column."""
        return StripPixels(self.thin.reshape(*self.clear.shape, -1), self.clear)


def thin_columns(samples: int) -> NDArray[np.intp]:
    """Samples of each thin line that are kept as they are."""
    return np.arange(0, samples, max(samples // THIN_SAMPLES, 1))


def sample_scene(
    capture: Capture,
    signal_of: SignalOf,
    saturation_counts: float,
    wanted: int = SCENE_LINES,
) -> SceneSample:
    """Read a cube's thin lines and reduce them at once; counts that are no number are left out."""
    looked = thin_lines(capture.lines, wanted)
    with open_capture(capture) as raw:
        uniform, empty, unwritten = _holes(raw, looked, saturation_counts)
    # Of a strip without a written line all are taken: what is wrong with it is told by its sizes.
    lines = looked if empty.all() else looked[~empty]
    shape = (capture.wavelength_nm.size, capture.samples)
    total, squares, lost = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    saturated = np.zeros(shape[0])
    spectra = np.empty((lines.size, shape[0]), np.float32)
    columns = thin_columns(capture.samples)
    kept = []
    few: list[NDArray[Any]] = []
    repeated, before = 0, None
    with open_capture(capture) as raw:
        for i, line in enumerate(lines):
            counts = raw.lines(int(line), int(line) + 1)
            few.append(counts[0][:, columns])
            repeated += int(repeated_lines(counts, before).sum())
            before = counts[0]
            saturated += (counts[0] >= saturation_counts).mean(axis=1)
            signal = signal_of(capture, lines[i : i + 1], counts)[0].astype(np.float64)
            kept.append(signal[:, columns].astype(np.float32))
            if counts.dtype.kind == "f":
                unknown = ~np.isfinite(signal)
                lost += unknown
                signal[unknown] = 0
                spectra[i] = _over(signal.sum(axis=1), (~unknown).sum(axis=1))
            else:
                spectra[i] = signal.mean(axis=1)
            total += signal
            squares += signal * signal
    thin_counts = np.stack(few)
    n = lines.size - lost
    mean = _over(total, n)
    variance = np.maximum(_over(squares, n) - mean * mean, 0) * (n / np.maximum(n - 1, 1))
    return SceneSample(
        cube=capture.name,
        lines=lines,
        looked=looked,
        unwritten=unwritten,
        mean=mean.astype(np.float32),
        temporal_sd=np.sqrt(variance).astype(np.float32),
        line_level=_known_mean(spectra.astype(np.float64)),
        line_spectrum=spectra,
        thin=np.concatenate([part.T for part in kept]),
        median=_medians(np.stack(kept)),
        saturated=saturated / lines.size,
        uniform=uniform,
        nan_share=float(lost.mean() / lines.size),
        # Written so that a count that is no number is not clear either.
        clear=np.asarray((thin_counts < saturation_counts).all(axis=1)),
        pile=pile_up(thin_counts, saturation_counts),
        repeated=repeated,
    )


def _holes(
    raw: Reader, looked: NDArray[np.intp], saturation_counts: float
) -> tuple[Mask, Mask, tuple[tuple[int, int], ...]]:
    """Rows of one count throughout, (line, band); lines never written, (line,); all their spans."""

    def at(line: int) -> NDArray[Any]:
        return raw.lines(line, line + 1)

    counts = [at(int(line)) for line in looked]
    uniform = np.stack([_uniform(one[0], saturation_counts) for one in counts])
    empty = np.array([never_written(one, saturation_counts)[0] for one in counts])
    spans = spans_between(
        looked, empty, lambda line: bool(never_written(at(line), saturation_counts)[0])
    )
    return uniform, empty, tuple(spans)


def _uniform(counts: NDArray[np.generic], saturation_counts: float) -> Mask:
    """Bands of one line, (band, sample) counts, in which every sample has the same count.

    A camera's noise makes no such row; a file that was cut off and filled does. Where there are
    few samples, only a line that is alike throughout is one.
    """
    few = counts.shape[1] < LEAST_UNIFORM_SAMPLES
    low, high = counts.min(axis=1), counts.max(axis=1)
    if few:
        low, high = np.full_like(low, low.min()), np.full_like(high, high.max())
    return np.asarray((low == high) & (high < saturation_counts))


def _over(total: Array, count: Array) -> Array:
    """A mean; NaN where nothing was counted."""
    mean = np.full(np.shape(total), np.nan)
    np.divide(total, count, out=mean, where=count > 0)
    return mean


def _known_mean(rows: Array) -> Array:
    """Mean over the last axis of what is known."""
    known = np.isfinite(rows)
    return _over(np.where(known, rows, 0).sum(axis=-1), known.sum(axis=-1))


def _medians(kept: Array32) -> Array:
    """Median of each band's (line, band, sample) signals that are known; NaN where none is."""
    if np.isfinite(kept).all():
        return np.median(kept, axis=(0, 2)).astype(np.float64)
    known = [band[np.isfinite(band)] for band in kept.transpose(1, 0, 2)]
    return np.array([float(np.median(band)) if band.size else np.nan for band in known])


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
