"""A calibrated cube reduced to what fits on a page: small pictures and a thin cube of spectra.

Blocks are reduced as they come, in any order and on any thread (`preview_block`), and the parts
joined at the end (`join`). Everything is decimated first and unpacked after, so that a block costs
a few milliseconds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled.call import compiled
from pipeline.radiometry import cie1931
from pipeline.radiometry.kernel import LOW_SIGNAL, SATURATED, CalibratedBlock
from pipeline.radiometry.packing import REFLECTANCE, UNCERTAINTY
from pipeline.records import Array, Array32

#: Bytes that the pictures and spectra of all cubes together may take on the page, before base64.
FLIGHT_BYTES = 3_600_000
#: Share of a cube's bytes that its pictures take.
_PICTURE_SHARE = 0.3
#: Bytes of one pixel in all five pictures, and of one band of one spectrum, once compressed.
_PICTURE_PIXEL_BYTES = 1.6
_SPECTRUM_BAND_BYTES = 2.0
#: Samples and pixels of a picture at the most.
_MOST_COLUMNS, _MOST_PIXELS = 320, 120_000
#: With fewer spectra than this, and this many bands, every other band is kept for twice as many.
_FEW_SPECTRA, _MANY_BANDS = 256, 120
#: Bands of which the median uncertainty is taken.
_MEDIAN_BANDS = 24
#: Wavelengths [nm] shown as red, green and blue of the near-infrared composite (common practice).
COMPOSITE_NM = (860.0, 670.0, 560.0)
_COMPOSITE_NEAR_NM = 20.0
#: What a camera must cover [nm] for colours to mean anything, and its widest step there.
_COLOUR_SPAN_NM, _COLOUR_STEP_NM = (430.0, 670.0), 30.0
#: Least share of the observer's weight in bands with a value.
_LEAST_WEIGHT = 0.5
#: XYZ to linear sRGB, IEC 61966-2-1:1999.
_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])


@dataclass(frozen=True, eq=False)
class Grid:
    """Every `line_step`-th line and `sample_step`-th sample of a cube of `lines` x `samples`."""

    line_first: int
    line_step: int
    sample_first: int
    sample_step: int
    lines: int
    samples: int

    @property
    def line_index(self) -> NDArray[np.intp]:
        """Lines of the grid."""
        return np.arange(self.line_first, self.lines, self.line_step)

    @property
    def sample_index(self) -> NDArray[np.intp]:
        """Samples of the grid."""
        return np.arange(self.sample_first, self.samples, self.sample_step)

    def inside(self, start: int) -> tuple[slice, slice]:
        """The grid within a block whose first line is `start`, as slices of lines and samples."""
        first = (self.line_first - start) % self.line_step
        return (
            slice(first, None, self.line_step),
            slice(self.sample_first, None, self.sample_step),
        )


@dataclass(frozen=True, eq=False)
class PreviewPlan:
    """How a cube is reduced."""

    bands: int
    picture: Grid
    spectra: Grid
    band_step: int  # of the spectra
    weights: Array32 | None  # (3, band), see `xyz_weights`
    composite: tuple[int, int, int] | None  # bands shown as red, green, blue

    @property
    def kept_bands(self) -> int:
        """Bands of a spectrum that are kept."""
        return -(-self.bands // self.band_step)


@dataclass(frozen=True, eq=False)
class PreviewPart:
    """A block, reduced. Shapes as in `Preview`, for the block's lines."""

    start: int
    xyz: Array32 | None
    composite: Array32 | None
    saturated: Array32
    low_signal: Array32
    uncertainty: Array32 | None
    spectra: NDArray[np.int16]
    spectra_uncertainty: NDArray[np.uint16] | None
    spectra_flags: NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Preview:
    """A cube, reduced. Pictures are on `plan.picture`, spectra on `plan.spectra`.

    `xyz` (3, line, sample) under D65, Y of a perfect reflector 1, and `composite` (3, line,
    sample) reflectance; None where the bands do not reach, NaN where blank. `saturated` and
    `low_signal` (line, sample) are shares of the bands; `uncertainty` (line, sample) the median
    standard uncertainty over bands, None where there is none.
    `spectra` int16, `spectra_uncertainty` uint16 and `spectra_flags` uint8 (band, line, sample)
    are packed as in the cube file. `latitude` and `longitude` (line, sample) [degree] are on the
    spectra's grid, `outline` (vertex, 2) [longitude, latitude] goes around the strip; None without
    a track.
    """

    plan: PreviewPlan
    xyz: Array32 | None
    composite: Array32 | None
    saturated: Array32
    low_signal: Array32
    uncertainty: Array32 | None
    spectra: NDArray[np.int16]
    spectra_uncertainty: NDArray[np.uint16] | None
    spectra_flags: NDArray[np.uint8]
    latitude: Array | None = None
    longitude: Array | None = None
    outline: Array | None = None


def preview_plan(
    wavelength_nm: Array, lines: int, samples: int, *, budget_bytes: float = FLIGHT_BYTES
) -> PreviewPlan:
    """How to reduce a cube to about `budget_bytes`, and never below four by four spectra.

    Parameters
    ----------
    wavelength_nm : (band,) of the bands that are written, increasing
    lines, samples : size of the cube
    budget_bytes : for this cube; `FLIGHT_BYTES` over the number of cubes keeps a page small
    """
    bands = wavelength_nm.size
    pixels = min(budget_bytes * _PICTURE_SHARE / _PICTURE_PIXEL_BYTES, _MOST_PIXELS)
    picture = _grid(lines, samples, pixels, least_step=-(-samples // _MOST_COLUMNS))
    wanted = budget_bytes * (1 - _PICTURE_SHARE) / (_SPECTRUM_BAND_BYTES * max(bands, 1))
    band_step = 2 if wanted < _FEW_SPECTRA and bands >= _MANY_BANDS else 1
    return PreviewPlan(
        bands=bands,
        picture=picture,
        spectra=_grid(lines, samples, wanted * band_step, least_step=picture.sample_step),
        band_step=band_step,
        weights=xyz_weights(wavelength_nm),
        composite=composite_bands(wavelength_nm),
    )


def _grid(lines: int, samples: int, wanted: float, *, least_step: int) -> Grid:
    """About `wanted` places, as far apart along as across unless the cube is narrow or short."""
    wanted = max(wanted, 1.0)
    step = max(math.ceil(math.sqrt(lines * samples / wanted)), least_step)
    across = min(step, max(samples // 4, 1))
    along = max(step, math.ceil(lines * -(-samples // across) / wanted))
    along = min(along, max(lines // 4, 1))
    across = max(across, math.ceil(samples * -(-lines // along) / wanted))
    across = min(across, max(samples // 4, 1))
    return Grid(along // 2, along, across // 2, across, lines, samples)


def xyz_weights(wavelength_nm: Array) -> Array32 | None:
    """Weights that turn reflectance into CIE XYZ under D65, (3, band).

    The observer is the CIE 1931 2 degree one; a perfect reflector has Y = 1. Between bands
    reflectance is taken as linear, beyond the last ones as constant. None where the bands leave
    out part of 430 to 670 nm.
    """
    low, high = _COLOUR_SPAN_NM
    if not wavelength_nm.size or wavelength_nm[0] > low or wavelength_nm[-1] < high:
        return None
    near = (wavelength_nm > low - _COLOUR_STEP_NM) & (wavelength_nm < high + _COLOUR_STEP_NM)
    if np.diff(wavelength_nm[near]).max(initial=0.0) > _COLOUR_STEP_NM:
        return None
    grid = np.arange(cie1931.WAVELENGTH_NM[0], cie1931.WAVELENGTH_NM[-1] + 0.5)
    light = np.interp(grid, cie1931.WAVELENGTH_NM, cie1931.D65)
    seen = np.stack([np.interp(grid, cie1931.WAVELENGTH_NM, row) for row in cie1931.OBSERVER])
    seen = seen * light / (seen[1] * light).sum()
    hats = np.stack([np.interp(grid, wavelength_nm, row) for row in np.eye(wavelength_nm.size)])
    return np.asarray(seen @ hats.T, np.float32)


def composite_bands(wavelength_nm: Array) -> tuple[int, int, int] | None:
    """Bands nearest to `COMPOSITE_NM`; None where one of them has no band within 20 nm."""
    if not wavelength_nm.size:
        return None
    apart = np.abs(wavelength_nm - np.array(COMPOSITE_NM)[:, None])
    if apart.min(axis=1).max() > _COMPOSITE_NEAR_NM:
        return None
    red, green, blue = (int(i) for i in apart.argmin(axis=1))
    return red, green, blue


def preview_block(plan: PreviewPlan, start: int, block: CalibratedBlock) -> PreviewPart:
    """Reduce one block whose first line is `start`. Blank samples become NaN in the pictures."""
    line, sample = plan.picture.inside(start)
    # All samples of a line, then those that are shown: a line lies in one piece.
    saturated, low_signal = (share[:, sample] for share in _shares(block.flags[:, line]))
    uncertainty = None
    if block.uncertainty is not None:
        some = slice(None, None, max(plan.bands // _MEDIAN_BANDS, 1))
        uncertainty = _median(block.uncertainty[some, line, sample])
    xyz = None
    if plan.weights is not None:
        seen = np.flatnonzero(plan.weights.max(axis=0) > 0)
        part = slice(seen[0], seen[-1] + 1)
        thin_block = REFLECTANCE.unpacked(block.reflectance[part, line, sample])
        xyz = to_xyz(thin_block, plan.weights[:, part])
    composite = None
    if plan.composite is not None:
        composite = np.stack(
            [REFLECTANCE.unpacked(block.reflectance[b, line, sample]) for b in plan.composite]
        )
    line, sample = plan.spectra.inside(start)
    thin = (slice(None, None, plan.band_step), line, sample)
    return PreviewPart(
        start=start,
        xyz=xyz,
        composite=composite,
        saturated=saturated,
        low_signal=low_signal,
        uncertainty=uncertainty,
        spectra=block.reflectance[thin].copy(),
        spectra_uncertainty=None if block.uncertainty is None else block.uncertainty[thin].copy(),
        spectra_flags=block.flags[thin].copy(),
    )


def join(
    plan: PreviewPlan,
    parts: Sequence[PreviewPart],
    latitude: Array | None = None,
    longitude: Array | None = None,
) -> Preview:
    """A cube's preview from its blocks' parts, in any order.

    `latitude` and `longitude` are the whole cube's, (line, sample) [degree].
    """
    ordered = sorted(parts, key=lambda part: part.start)

    def whole(name: str) -> Any:
        values = [getattr(part, name) for part in ordered]
        return None if values[0] is None else np.concatenate(values, axis=-2)

    names = (
        "xyz", "composite", "saturated", "low_signal", "uncertainty",
        "spectra", "spectra_uncertainty", "spectra_flags",
    )  # fmt: skip
    places: dict[str, Any] = {}
    if latitude is not None and longitude is not None:
        at = np.ix_(plan.spectra.line_index, plan.spectra.sample_index)
        places = {
            "latitude": latitude[at],
            "longitude": longitude[at],
            "outline": _outline(latitude, longitude),
        }
    return Preview(plan=plan, **{name: whole(name) for name in names}, **places)


def thinned(preview: Preview) -> Preview:
    """The same preview with every other line and sample of its spectra."""
    plan = preview.plan
    spectra = replace(
        plan.spectra,
        line_step=plan.spectra.line_step * 2,
        sample_step=plan.spectra.sample_step * 2,
    )
    few = (..., slice(None, None, 2), slice(None, None, 2))
    names = ("spectra", "spectra_uncertainty", "spectra_flags", "latitude", "longitude")
    values: dict[str, Any] = {name: getattr(preview, name) for name in names}
    values = {name: None if value is None else value[few] for name, value in values.items()}
    return replace(preview, plan=replace(plan, spectra=spectra), **values)


def to_xyz(reflectance: Array32, weights: Array32) -> Array32:
    """CIE XYZ, (3, line, sample), of (band, line, sample) reflectance.

    `weights` are those of `xyz_weights`. A band that is NaN is left out of sum and weight alike;
    NaN where the bands that are left have less than half of the observer's weight.
    """
    seen = np.flatnonzero(weights.max(axis=0) > 0)
    part = slice(seen[0], seen[-1] + 1)
    weights = np.ascontiguousarray(weights[:, part], np.float32)
    values = np.ascontiguousarray(reflectance[part], np.float32).reshape(weights.shape[1], -1)
    summed, share = np.zeros((2, 3, values.shape[1]), np.float32)
    _sum_observed(weights, values, summed, share)
    share /= weights.sum(axis=1, keepdims=True)
    summed /= np.maximum(share, np.float32(_LEAST_WEIGHT))
    summed[:, share.min(axis=0) < _LEAST_WEIGHT] = np.nan
    return np.asarray(summed.reshape(3, *reflectance.shape[1:]))


@compiled
def _sum_observed(weights, values, summed, share):  # type: ignore[no-untyped-def]
    """Sums over bands of what is no NaN, by the observer's weights, and of the weights."""
    bands, pixels = values.shape
    for b in range(bands):
        for c in range(3):
            weight = weights[c, b]
            for n in range(pixels):
                known = values[b, n] == values[b, n]
                summed[c, n] += weight * values[b, n] if known else np.float32(0)
                share[c, n] += weight if known else np.float32(0)


def to_srgb(xyz: NDArray[np.floating[Any]], white: float = 1.0) -> NDArray[np.uint8]:
    """Colours for a screen, (3, ...) uint8, from XYZ (3, ...); NaN becomes mid grey.

    `white` is the Y shown as white; brighter and out-of-gamut colours are cut off.
    """
    linear = np.tensordot(_SRGB, np.nan_to_num(xyz, nan=0.0) / white, axes=1)
    linear = np.clip(linear, 0, 1)
    encoded = np.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * np.power(linear, 1 / 2.4) - 0.055
    )
    encoded[:, np.isnan(xyz).any(axis=0)] = 0.6
    return np.asarray(np.rint(encoded * 255), np.uint8)


def _median(packed: NDArray[np.uint16]) -> Array32:
    """Median over bands of what is not blank, (line, sample) [1]; NaN where all is blank."""
    ordered = np.sort(packed, axis=0)  # the fill value is the largest, so blanks come last
    known = (ordered != UNCERTAINTY.fill).sum(axis=0)
    middle = np.take_along_axis(ordered, np.maximum(known - 1, 0)[None] // 2, axis=0)[0]
    return UNCERTAINTY.unpacked(middle)


def _shares(flags: NDArray[np.uint8]) -> tuple[Array32, Array32]:
    """Shares of the bands that are saturated, and of low signal, (line, sample)."""
    saturated, low_signal = np.zeros((2, *flags.shape[1:]), np.uint16)
    _count_flags(np.ascontiguousarray(flags), saturated, low_signal)
    bands = np.float32(len(flags))
    return saturated / bands, low_signal / bands


@compiled
def _count_flags(flags, saturated, low_signal):  # type: ignore[no-untyped-def]
    """Numbers of bands that have the two flags that are mapped."""
    bands, lines, samples = flags.shape
    for b in range(bands):
        for i in range(lines):
            for s in range(samples):
                flag = flags[b, i, s]
                saturated[i, s] += np.uint16((flag & SATURATED) != 0)
                low_signal[i, s] += np.uint16((flag & LOW_SIGNAL) != 0)


def _outline(latitude: Array, longitude: Array, most_lines: int = 60) -> Array | None:
    """Down the first sample and back up the last; None where fewer than two lines are known."""
    known = np.flatnonzero(np.isfinite(latitude[:, [0, -1]] + longitude[:, [0, -1]]).all(axis=1))
    if known.size < 2:
        return None
    few = known[np.unique(np.linspace(0, known.size - 1, min(most_lines, known.size)).astype(int))]
    out = np.column_stack([longitude[few, 0], latitude[few, 0]])
    back = np.column_stack([longitude[few, -1], latitude[few, -1]])[::-1]
    return np.concatenate([out, back])
