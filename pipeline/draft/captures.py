"""What each capture of a folder is, from its counts: a dark, a flat, or a strip.

A few lines of each are read, evenly spread, so that neither memory nor time follow its length.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from pipeline.config.sensor import (
    DurationKey,
    HeaderKey,
    HeaderKeys,
    PeriodKey,
    Sensor,
    TemperatureKey,
    TimeKey,
)
from pipeline.errors import InputError, ReflectoryError
from pipeline.read.data_files import header_beside
from pipeline.read.headers import Words, read_words
from pipeline.read.order import in_order
from pipeline.read.reader import thin_lines
from pipeline.read.registry import describe, open_capture
from pipeline.records import Array, Capture

Kind = Literal["dark", "flat", "strip"]

#: Places in a capture that are looked at, and lines read at each: two neighbours give the noise.
PLACES, LINES = 16, 2
#: A dark's spectrum spans less than this share of the brightest capture's: light has a spectrum,
#: the cap has none (common practice, no source).
_DARK_SPAN = 0.05
#: A flat's lines differ by no more than this many times their noise, in the median element: a
#: uniform target has no scene in it, and a little light that moves.
_FLAT_CHANGE = 3.0
#: Rasters that may be a cube, and how many bands make one.
_RASTERS, _LEAST_BANDS = {".tif", ".tiff", ".nc", ".jp2"}, 8
#: A header whose keys nobody knows: settings come later, once it is known what they are called.
_NOBODYS = "\x7f"
UNREAD = Sensor(
    header_keys=HeaderKeys.model_validate(
        {
            "exposure time": DurationKey(key=_NOBODYS),
            "frame period": PeriodKey(key=_NOBODYS),
            "gain": HeaderKey(key=_NOBODYS),
            "sensor temperature": TemperatureKey(key=_NOBODYS),
            "acquisition start": TimeKey(key=_NOBODYS),
            "serial number": HeaderKey(key=_NOBODYS),
        }
    )
)


@dataclass(frozen=True, eq=False)
class Seen:
    """A capture, and what a few of its lines show."""

    capture: Capture
    words: Words  # what its header says; empty for a raster
    span_counts: float  # of the mean spectrum, from its darkest to its brightest bands
    change: float  # from place to place, over the noise; median over elements, light apart
    most_counts: float
    at_most: int  # samples at that count

    @property
    def shape(self) -> tuple[int, int]:
        """Bands and samples."""
        return self.capture.bands, self.capture.samples


@dataclass(frozen=True, eq=False)
class Captures:
    """The captures of a folder, sorted."""

    strips: tuple[Seen, ...]
    darks: tuple[Seen, ...]
    flats: tuple[Seen, ...]
    left_out: tuple[tuple[Path, str], ...]  # with the reason
    broken: tuple[tuple[Path, str], ...] = ()  # by their headers captures, and cannot be read


def find_captures(folder: Path, files: Sequence[Path]) -> Captures:
    """Find the captures among the files of a folder, and tell what each is.

    Raises InputError where there is none at all.
    """
    seen, left_out, broken = [], [], []
    for path in in_order(f for f in files if _may_be(f)):
        try:
            capture = describe(path, UNREAD)
        except ReflectoryError as error:
            left_out.append((path, error.what))
            continue
        if capture.bands < _LEAST_BANDS:
            left_out.append((path, f"{capture.bands} bands are no spectrum"))
            continue
        try:
            seen.append(_looked_at(capture))
        except ReflectoryError as error:
            broken.append((path, error.what))
    if not seen:
        raise _none_there(folder, broken + left_out)
    usual = Counter(one.shape for one in seen).most_common(1)[0][0]
    for one in seen:
        if one.shape != usual:
            what = "{} bands x {} samples".format(*one.shape)
            left_out.append((one.capture.header, what + ", unlike the rest"))
    found = _sorted([one for one in seen if one.shape == usual], left_out)
    return replace(found, broken=tuple(broken))


def _none_there(folder: Path, refused: Sequence[tuple[Path, str]]) -> InputError:
    reason = f"; {refused[0][0].name}: {refused[0][1]}" if refused else ""
    return InputError(
        "no capture is there that can be read: no header with its data file, and no raster of "
        f"{_LEAST_BANDS} bands or more{reason}",
        where=folder,
    )


def _may_be(path: Path) -> bool:
    suffix = path.suffix.lower()
    return suffix == ".hdr" or (suffix in _RASTERS and header_beside(path) is None)


def _looked_at(capture: Capture) -> Seen:
    """Read a few lines of a capture."""
    blocks = []
    with open_capture(capture) as raw:
        for start in thin_lines(max(capture.lines - LINES + 1, 1), PLACES):
            blocks.append(raw.lines(int(start), min(int(start) + LINES, capture.lines)))
    if len({b.min() for b in blocks} | {b.max() for b in blocks}) == 1:
        raise InputError(
            f"one value throughout, {blocks[0].flat[0]}: it was never written", where=capture.data
        )
    means: Array = np.stack([b.mean(axis=0, dtype=np.float64) for b in blocks])
    spectrum = means.mean(axis=(0, 2))
    low, high = np.percentile(spectrum, [2, 98])
    most = max(float(b.max()) for b in blocks)
    return Seen(
        capture=capture,
        words=_words_of(capture),
        span_counts=float(high - low),
        change=_change(means, [b for b in blocks if len(b) == LINES]),
        most_counts=most,
        at_most=sum(int((b == most).sum()) for b in blocks),
    )


def _words_of(capture: Capture) -> Words:
    return read_words(capture.header) if capture.header.suffix.lower() == ".hdr" else {}


def _change(means: Array, pairs: Sequence[np.ndarray]) -> float:
    """How much lines change from place to place over what noise does, light apart."""
    if len(means) < 3 or not pairs:
        return 0.0
    differences = np.stack([np.diff(p.astype(np.float64), axis=0)[0] for p in pairs])
    noise = np.sqrt((differences**2).mean(axis=0) / 2 / LINES)
    # The light of each place, by band: a cloud over a uniform target is no scene.
    level = np.median(means, axis=2, keepdims=True)
    steady = means / np.where(level == 0, 1, level) * np.median(level, axis=0)
    spread = steady.std(axis=0, ddof=1)
    known = noise > 0
    return float(np.median(spread[known] / noise[known])) if known.any() else 0.0


def _sorted(seen: list[Seen], left_out: list[tuple[Path, str]]) -> Captures:
    brightest = max(one.span_counts for one in seen)
    found: dict[Kind, list[Seen]] = {"dark": [], "flat": [], "strip": []}
    lit = [one for one in seen if one.span_counts >= _DARK_SPAN * brightest]
    changing = [one for one in lit if one.change > _FLAT_CHANGE]
    for one in seen:
        if one not in lit:
            kind: Kind = "dark"
        # Where nothing has a scene, none of them is told from a flat.
        elif one not in changing and changing:
            kind = "flat"
        else:
            kind = "strip"
        found[kind].append(one)
    return Captures(
        tuple(found["strip"]), tuple(found["dark"]), tuple(found["flat"]), tuple(left_out)
    )
