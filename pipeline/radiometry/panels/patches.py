"""Uniform patches in an image of broad spectral groups: candidates for reference panels.

A panel is uniform, compact, near rectangular and sharply bounded. So are a pond, a patch of sand
or a roof; what tells panels from them is that the panels' signals stand to each other as their
certificates do (`matching`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.records import Array, Array32, Mask

Span = tuple[int, int]

#: Broad spectral groups, and the bands that each half of a group averages.
GROUPS = 12
BANDS_IN_HALF = 3
#: Local spread beyond noise, over the level, up to which a surface is uniform. Common practice:
#: half of what a panel's core is allowed before caution is due there.
UNIFORM = 0.025
#: A pixel is the patch's when it departs from the patch's spectrum by less than this, and noise.
ALIKE = 0.04
#: The surroundings of a sharp edge differ by more than this ...
DIFFERENT = 0.08
#: ... in this share of the pixels around the patch.
SHARP_SHARE = 0.85
#: Share of its smallest enclosing rectangle, of any direction, that a patch fills.
RECTANGULAR = 0.75
#: Pixels that a core needs at least, and those it should have (common practice: 10 x 10).
LEAST_PIXELS = 25
GOOD_PIXELS = 100
#: Pixels around a seed in which its patch may grow: at first, and if that was too little, where a
#: crease parts the panel.
LITTLE_ROOM, MOST_ROOM = 8, 40
#: Pixels of a seed that may be a piece of a creased panel; smaller ones that go on are ground.
LEAST_PIECE = 40
#: A patch larger than this share of the image is ground.
GROUND_SHARE = 0.2


@dataclass(frozen=True, eq=False)
class GroupImage:
    """Signal of some lines in broad groups of bands, each group as two interleaved halves.

    Noise differs between the halves of a group while the scene does not: their difference tells
    noise from texture.
    """

    first: Array32  # (group, line, sample) [count]
    second: Array32
    saturated: Mask  # (group, line, sample): some band of the group is
    start: int  # line of the cube that row 0 is
    step: int  # lines of the cube from row to row


@dataclass(frozen=True, eq=False)
class Patch:
    """A uniform patch and its core, half-open, in lines and samples of the cube."""

    lines: Span  # of the whole patch
    samples: Span
    core_lines: Span  # largest rectangle clear of the edges
    core_samples: Span
    pixels: int  # of the whole patch, as if every line were there
    signal: Array  # (group,) [count], mean of the core; NaN where saturated
    uncertainty: Array  # (group,) [count], standard, of that mean, noise alone

    @property
    def core_pixels(self) -> int:
        """Pixels of the core, as if every line were there."""
        (a, b), (c, d) = self.core_lines, self.core_samples
        return (b - a) * (d - c)

    @property
    def middle(self) -> tuple[float, float]:
        """Middle of the whole patch's extent, (line, sample)."""
        return sum(self.lines) / 2, sum(self.samples) / 2

    def overlaps(self, other: Patch) -> bool:
        """Whether the two share a pixel, by their whole extent."""
        return all(
            a < d and c < b
            for (a, b), (c, d) in ((self.lines, other.lines), (self.samples, other.samples))
        )


def group_bands(usable: Mask) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Bands of each group's two halves, (group, band of the half) each.

    Parameters
    ----------
    usable : (band,) bands that may be chosen, e.g. those that the certificates cover

    Returns
    -------
    Indices of bands. The halves take turns, so that they have the same colour. With one usable
    band both halves are that band, and noise cannot be told; with none, shape (0, 1).
    """
    bands = np.flatnonzero(usable)
    groups = min(GROUPS, bands.size // 2)
    if not groups:
        return bands[:, None], bands[:, None]
    first, second = [], []
    each = min(2 * BANDS_IN_HALF, bands.size // groups // 2 * 2)
    for part in np.array_split(bands, groups):
        chosen = part[np.linspace(0, part.size - 1, each).round().astype(np.intp)]
        first.append(chosen[::2])
        second.append(chosen[1::2])
    return np.stack(first), np.stack(second)


def nearest_good(bad: Mask) -> NDArray[np.intp]:
    """For each element the nearest sample of its band that measures, (band, sample).

    A band without any keeps its own samples.
    """
    own = np.broadcast_to(np.arange(bad.shape[1], dtype=np.intp), bad.shape).copy()
    for band in np.flatnonzero(bad.any(axis=1) & ~bad.all(axis=1)):
        index = ndimage.distance_transform_edt(
            bad[band], return_distances=False, return_indices=True
        )
        own[band] = index[0]
    return own


def uniform_pixels(image: GroupImage) -> Mask:
    """Pixels whose surroundings are uniform, (line, sample).

    In a window of 5 samples by 5 lines (3 where lines are skipped), the variance of the groups'
    signal less the noise's, over that allowed, is at most 1 in the mean over every second group:
    an edge shows in most of them.
    """
    window = _window(image.step)
    total = np.zeros(image.first.shape[1:], np.float32)
    groups = range(0, len(image.first), 2) if len(image.first) > 6 else range(len(image.first))
    for group in groups:
        a, b = image.first[group], image.second[group]
        middle, half = (a + b) / 2, (a - b) / 2
        level = ndimage.uniform_filter(middle, window)
        variance = ndimage.uniform_filter(middle * middle, window) - level * level
        mean = ndimage.uniform_filter(half, window)
        noise = np.maximum(ndimage.uniform_filter(half * half, window) - mean * mean, 1e-3)
        total += (variance - noise) / ((UNIFORM * level) ** 2 + noise)
    return np.asarray(total <= len(groups))


def find_patches(image: GroupImage) -> list[Patch]:
    """Uniform, compact, near rectangular and sharply bounded patches, in order of their lines.

    Parameters
    ----------
    image : finite signal

    Returns
    -------
    Patches of at least `LEAST_PIXELS` core pixels. They do not overlap in pixels.

    Notes
    -----
    Uniform pixels that touch make a seed. The patch is what touches the seed and is like its
    median spectrum, pixel by pixel within `ALIKE` and noise; then its shape and its edge are
    judged. Common practice, no source.
    """
    uniform = uniform_pixels(image)
    labels, count = ndimage.label(uniform)
    if not count:
        return []
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    taken = np.zeros(uniform.shape, dtype=np.bool_)
    found = []
    boxes = ndimage.find_objects(labels)
    hopeless = _without_edge(image, boxes)
    for label in np.argsort(-sizes[1:], kind="stable") + 1:
        box = boxes[label - 1]
        if hopeless[label - 1] or sizes[label] > GROUND_SHARE * uniform.size:
            continue
        seed = labels[box] == label
        if taken[box][seed].any():
            continue
        where, alike = _grown(image, box, seed, LITTLE_ROOM)
        cut = _cut(where, alike, uniform.shape)
        if cut and sizes[label] >= LEAST_PIECE:
            where, alike = _grown(image, box, seed, MOST_ROOM)
            cut = _cut(where, alike, uniform.shape)
        taken[where] |= alike
        if cut:
            continue
        patch = _judged(image, where, _whole(alike))
        if patch is not None:
            found.append(patch)
    return sorted(found, key=lambda p: (p.lines, p.samples))


def _without_edge(image: GroupImage, boxes: list[tuple[slice, slice]]) -> Mask:
    """Seeds that have no edge around them, (seed,).

    Natural ground gives thousands of seeds. A panel ends within a few pixels of its seed, so that
    of eight pixels around at least five differ from it: one side may be the image's end or lie
    behind a crease.
    """
    _, lines, samples = image.first.shape
    ends = np.array([[(s.start, s.stop - 1) for s in box] for box in boxes])
    away = (-(-6 // image.step), 6)
    l0, l1 = ends[:, 0, 0] - away[0], ends[:, 0, 1] + away[0]
    s0, s1 = ends[:, 1, 0] - away[1], ends[:, 1, 1] + away[1]
    lm, sm = ends[:, 0].mean(axis=1).astype(np.intp), ends[:, 1].mean(axis=1).astype(np.intp)
    around_l = np.clip(np.stack([l0, l0, l0, lm, lm, l1, l1, l1], axis=1), 0, lines - 1)
    around_s = np.clip(np.stack([s0, sm, s1, s0, s1, s0, sm, s1], axis=1), 0, samples - 1)
    middle = image.first[:, lm, sm]
    around = image.first[:, around_l, around_s]
    allowed = np.maximum((DIFFERENT * middle) ** 2, 1e-6)[:, :, None]
    differs = ((around - middle[:, :, None]) ** 2 / allowed).mean(axis=0) > 1.0
    return np.asarray(differs.sum(axis=1) < 5)


def _window(step: int) -> tuple[int, int]:
    return (5, 5) if step == 1 else (3, 5)


def _grown(
    image: GroupImage, box: tuple[slice, slice], seed: Mask, room: int
) -> tuple[tuple[slice, slice], Mask]:
    """The part of the image around a seed, and what in it is like the seed and touches it."""
    where = _around(box, (room, room), image)
    inside = _placed(seed, box, where)
    a, b = (part[:, *where] for part in (image.first, image.second))
    middle = (a + b) / 2
    level = np.median(middle[:, inside], axis=1)
    noise = ((a - b) / 2)[:, inside].var(axis=1)
    allowed = np.maximum((ALIKE * level) ** 2 + noise, 1e-6)
    departure = (middle - level[:, None, None]) ** 2 / allowed[:, None, None]
    # Noise alone gives a mean of its share of what is allowed.
    alike = departure.mean(axis=0) <= 1.0 + 2.0 * float((noise / allowed).mean())
    alike = ndimage.binary_opening(alike | inside, np.ones((2, 2))) | inside
    # A crease or a row of bad elements does not part a panel.
    labels, _ = ndimage.label(ndimage.binary_closing(alike, np.ones((3, 3))) | alike)
    return where, np.isin(labels, np.unique(labels[inside]))


def _cut(where: tuple[slice, slice], alike: Mask, shape: tuple[int, ...]) -> bool:
    """Whether a patch goes on beyond the part of the image that was looked at."""
    return bool(
        (where[0].start > 0 and alike[0].any())
        or (where[0].stop < shape[0] and alike[-1].any())
        or (where[1].start > 0 and alike[:, 0].any())
        or (where[1].stop < shape[1] and alike[:, -1].any())
    )


def _whole(alike: Mask) -> Mask:
    """Without holes and notches."""
    closed = ndimage.binary_closing(np.pad(alike, 2), np.ones((3, 3)))
    return np.asarray(ndimage.binary_fill_holes(closed)[2:-2, 2:-2])


def _around(
    box: tuple[slice, slice], room: tuple[int, int], image: GroupImage
) -> tuple[slice, slice]:
    """A box with room on all sides, as far as the image goes."""
    lines, samples = (
        slice(max(s.start - r, 0), min(s.stop + r, n))
        for s, r, n in zip(box, room, image.first.shape[1:], strict=True)
    )
    return lines, samples


def _placed(mask: Mask, box: tuple[slice, slice], where: tuple[slice, slice]) -> Mask:
    """A box's mask in a larger box around it."""
    out = np.zeros([w.stop - w.start for w in where], dtype=np.bool_)
    out[
        tuple(slice(b.start - w.start, b.stop - w.start) for b, w in zip(box, where, strict=True))
    ] = mask
    return out


def _judged(image: GroupImage, where: tuple[slice, slice], mask: Mask) -> Patch | None:
    """The patch with its core; None where it is not one."""
    step = image.step
    pixels = int(mask.sum()) * step
    if pixels < LEAST_PIXELS or mask.sum() > GROUND_SHARE * image.first[0].size:
        return None
    if _rectangularity(mask, step) < RECTANGULAR or not _sharp(image, where, mask):
        return None
    core = _core(mask, step)
    if core is None:
        return None
    rows, columns = (np.flatnonzero(mask.any(axis=axis)) for axis in (1, 0))
    top, left = where[0].start, where[1].start
    (r0, r1), (c0, c1) = core
    inner = (slice(None), slice(top + r0, top + r1), slice(left + c0, left + c1))
    first, second = image.first[inner], image.second[inner]
    signal = (first.mean(axis=(1, 2), dtype=np.float64) + second.mean(axis=(1, 2))) / 2
    noise = ((first - second) / 2).std(axis=(1, 2), dtype=np.float64)
    clipped = image.saturated[inner].mean(axis=(1, 2)) > 0.01
    size = (r1 - r0) * (c1 - c0)

    def lines(a: int, b: int) -> Span:
        return image.start + (top + a) * step, image.start + (top + b - 1) * step + 1

    return Patch(
        lines=lines(int(rows[0]), int(rows[-1]) + 1),
        samples=(left + int(columns[0]), left + int(columns[-1]) + 1),
        core_lines=lines(r0, r1),
        core_samples=(left + c0, left + c1),
        pixels=pixels,
        signal=np.where(clipped, np.nan, signal),
        uncertainty=noise / np.sqrt(size),
    )


def _core(mask: Mask, step: int) -> tuple[Span, Span] | None:
    """Largest rectangle 2 pixels clear of the edge, or 1 where fewer than 100 would be left."""
    for trim in (2, 1):
        rows = -(-trim // step)
        inner = ndimage.binary_erosion(mask, np.ones((2 * rows + 1, 2 * trim + 1)), border_value=1)
        rectangle = largest_rectangle(np.asarray(inner))
        if rectangle is None:
            continue
        (a, b), (c, d) = rectangle
        if (b - a) * step * (d - c) >= (GOOD_PIXELS if trim == 2 else LEAST_PIXELS):
            return rectangle
    return None


def largest_rectangle(mask: Mask) -> tuple[Span, Span] | None:
    """The axis-aligned rectangle of most true pixels, half-open (lines, samples).

    The topmost of equals. None where no pixel is true. Row by row, the bars of true pixels that
    end there are a histogram, whose largest rectangle a stack finds in one pass.
    """
    best, found = 0, None
    height = np.zeros(mask.shape[1] + 1, np.intp)  # the last stays 0 and empties the stack
    for row, line in enumerate(mask):
        height[:-1] = np.where(line, height[:-1] + 1, 0)
        stack: list[tuple[int, int]] = []  # (left end, height), heights increasing
        for column, h in enumerate(height.tolist()):
            left = column
            while stack and stack[-1][1] >= h:
                left, tall = stack.pop()
                if tall * (column - left) > best:
                    best = tall * (column - left)
                    found = ((row + 1 - tall, row + 1), (left, column))
            stack.append((left, h))
    return found


def _rectangularity(mask: Mask, step: int) -> float:
    """Area over that of the smallest enclosing rectangle of any direction."""
    import shapely

    line, sample = np.nonzero(mask & ~ndimage.binary_erosion(mask))
    corners = np.array([(0, 0), (1, 0), (0, 1), (1, 1)])
    points = (np.stack([sample, line], axis=1)[:, None] + corners).reshape(-1, 2) * [1, step]
    area = shapely.multipoints(points).minimum_rotated_rectangle.area
    return float(mask.sum() * step / area) if area > 0 else 0.0


def _sharp(image: GroupImage, where: tuple[slice, slice], mask: Mask) -> bool:
    """Whether what lies 3 to 4 pixels outside the patch differs from it nearly everywhere."""
    wide = _around(where, (5, 5), image)
    whole = _placed(mask, where, wide)
    rows = [2 * -(-r // image.step) + 1 for r in (2, 4)]
    near, far = (ndimage.maximum_filter(whole, (h, w)) for h, w in zip(rows, (5, 9), strict=True))
    ring = far & ~near
    a, b = (part[:, *wide] for part in (image.first, image.second))
    level = (a[:, whole].mean(axis=1) + b[:, whole].mean(axis=1)) / 2
    clear = level > 0
    if not ring.any() or not clear.any():
        return False
    noise = ((a[:, whole] - b[:, whole]) / 2)[clear].var(axis=1)
    around = (a[:, ring] + b[:, ring])[clear] / 2
    allowed = (DIFFERENT * level[clear]) ** 2 + 2 * noise
    departure = (around - level[clear, None]) ** 2 / allowed[:, None]
    return bool((departure.mean(axis=0) > 1.0).mean() >= SHARP_SHARE)


def row_chunks(rows: int, most: int, overlap: int) -> Iterator[Span]:
    """Spans of rows, half-open, that cover all and overlap, so that memory does not grow."""
    start = 0
    while True:
        stop = min(start + most, rows)
        yield start, stop
        if stop == rows:
            return
        start = stop - overlap
