"""From a block of raw counts to packed reflectance, packed uncertainty and flags, in one pass.

Two implementations of the same arithmetic: `calibrate_block` is compiled and releases the GIL;
`calibrate_block_numpy` is its plain twin, against which the tests hold it bit for bit. Both work in
float32 and in the same order of operations, so that packed values agree exactly.

The twin takes its arithmetic from `equation`, folded as polynomials in the signal.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from pipeline.flags import QualityFlag
from pipeline.radiometry import equation
from pipeline.radiometry.limits import ABOVE_ONE_REFLECTANCE, NEGATIVE_UNCERTAINTIES
from pipeline.radiometry.packing import REFLECTANCE, UNCERTAINTY
from pipeline.records import Array32

F = np.float32
_I, _NONE = np.int32, np.int32(0)
Bytes = NDArray[np.uint8]

SATURATED = np.uint8(QualityFlag.SATURATED)
LOW_SIGNAL = np.uint8(QualityFlag.LOW_SIGNAL)
BAD_ELEMENT = np.uint8(QualityFlag.BAD_ELEMENT)
OUTSIDE = np.uint8(QualityFlag.OUTSIDE_PANEL_RANGE)
NO_CALIBRATION = np.uint8(QualityFlag.NO_CALIBRATION)
NO_DATA = np.uint8(QualityFlag.NO_DATA)
BEYOND = np.uint8(QualityFlag.BEYOND_PACKING)

#: Columns of the tallies that a block returns for each band; `negative` and `above` have their
#: limits in `limits`.
TALLIES = ("samples", "saturated", "low_signal", "outside", "sound", "negative", "above")
#: Flags that keep a sample out of `sound`, and so out of `negative`: it has no sound value.
_UNSOUND = np.uint8(SATURATED | BAD_ELEMENT | NO_CALIBRATION | NO_DATA | BEYOND)

_R_SCALE, _U_SCALE = F(1 / REFLECTANCE.step), F(1 / UNCERTAINTY.step)
_R_FILL, _U_FILL = np.int16(REFLECTANCE.fill), np.uint16(UNCERTAINTY.fill)
_R_MAX, _U_MAX = F(REFLECTANCE.largest), F(UNCERTAINTY.largest)
#: Uncertainty's steps in one of reflectance.
_STEPS = F(round(REFLECTANCE.step / UNCERTAINTY.step))
_NEGATIVE = F(-NEGATIVE_UNCERTAINTIES)
_ABOVE_PACKED = np.int16(round(ABOVE_ONE_REFLECTANCE / REFLECTANCE.step))
_ZERO, _ONE, _TEN, _HUNDRED, _THOUSAND = F(0), F(1), F(10), F(100), F(1000)
_TWO_DIGITS, _THREE_DIGITS, _FOUR_DIGITS = F(99.5), F(995), F(9950)


@dataclass(frozen=True, eq=False)
class KernelTable:
    """Everything a cube's samples are calibrated with, as contiguous float32.

    (band, sample): `dark` and `dark_change` [count] (dark at a line = dark + weight * change),
    `inverse_response` [1], `fixed_variance` (sigma_read^2 + u^2(D))/f^2 and `read_variance`
    sigma_read^2/f^2 [count^2], `shot` 1/(K f) [count], `response_variance` (u(f)/f)^2 [1],
    `element_flags` uint8.
    (band,): `gain`, `offset`, `gain_variance`, `offset_variance`, `covariance`, `low`, `high`.
    (bad element,): `patch_*`, where bad elements are interpolated: band, sample, its good
    neighbours to the left and right, and the right one's weight. Empty otherwise; sorted by band.
    """

    dark: Array32
    dark_change: Array32
    inverse_response: Array32
    fixed_variance: Array32
    read_variance: Array32
    shot: Array32
    response_variance: Array32
    element_flags: Bytes
    gain: Array32
    offset: Array32
    gain_variance: Array32
    offset_variance: Array32
    covariance: Array32
    low: Array32
    high: Array32
    patch_band: NDArray[np.int32]
    patch_sample: NDArray[np.int32]
    patch_left: NDArray[np.int32]
    patch_right: NDArray[np.int32]
    patch_weight: Array32
    saturation_counts: float
    low_signal_snr: float
    blank_mask: int

    def arrays(self) -> tuple[NDArray[Any], ...]:
        """The array fields in order, as the compiled kernel takes them."""
        return tuple(getattr(self, f.name) for f in fields(self) if f.name not in _SCALARS)


_SCALARS = ("saturation_counts", "low_signal_snr", "blank_mask")


@dataclass(frozen=True, eq=False)
class LineTable:
    """What changes from line to line; (line,) each.

    `dark_weight` [1], `inverse_ratio` 1/q [1], `ratio_variance` (u(q)/q)^2 [1],
    `line_flags` uint8 quality flags of the whole line.
    """

    dark_weight: Array32
    inverse_ratio: Array32
    ratio_variance: Array32
    line_flags: Bytes

    def part(self, start: int, stop: int) -> LineTable:
        """The lines from `start` up to `stop`."""
        return LineTable(*(getattr(self, f.name)[..., start:stop] for f in fields(self)))


@dataclass(frozen=True, eq=False)
class CalibratedBlock:
    """A block in output order and packing.

    `reflectance` int16 and `uncertainty` uint16 or None and `flags` uint8 are
    (band, line, sample); `tallies` int64 is (band, tally) with the columns of `TALLIES`.
    """

    reflectance: NDArray[np.int16]
    uncertainty: NDArray[np.uint16] | None
    flags: Bytes
    tallies: NDArray[np.int64]


def block_buffers(
    bands: int, lines: int, samples: int, *, uncertainty: bool = True
) -> CalibratedBlock:
    """Memory for one block, to be filled again and again by `calibrate_block`."""
    shape = (bands, lines, samples)
    return CalibratedBlock(
        np.empty(shape, np.int16),
        np.empty(shape, np.uint16) if uncertainty else None,
        np.empty(shape, np.uint8),
        np.zeros((bands, len(TALLIES)), np.int64),
    )


def calibrate_block(
    raw: NDArray[Any],
    table: KernelTable,
    lines: LineTable,
    *,
    uncertainty: bool = True,
    out: CalibratedBlock | None = None,
) -> CalibratedBlock:
    """Calibrate one block of raw counts.

    Parameters
    ----------
    raw : (line, band, sample) [count], any real type in native byte order; not altered
    table, lines : the cube's and these lines' calibration
    uncertainty : compute the uncertainty too; without it `negative` is not tallied
    out : `block_buffers` of the block's own shape to fill and return; fresh ones where None

    Returns
    -------
    CalibratedBlock
        A saturated, bad or uncalibrated sample has its flag, and the fill value where
        `table.blank_mask` says so. A NaN count is `no_data`, and fill. A reflectance that int16
        cannot hold (beyond 3.2767 either way) is `beyond_packing`, and fill. An uncertainty too
        large for its packing is `beyond_packing` too, and is stored as the largest one. Negative
        reflectance is kept.
    """
    n_lines, bands, samples = raw.shape
    if out is None:
        out = block_buffers(bands, n_lines, samples, uncertainty=uncertainty)
    if out.reflectance.shape != (bands, n_lines, samples):
        raise ValueError(f"buffers of {out.reflectance.shape} for a block of {raw.shape}")
    packed_u = out.uncertainty if uncertainty else np.empty((bands, 0, 0), np.uint16)
    _calibrate(
        np.ascontiguousarray(raw),
        table.arrays(),
        (lines.dark_weight, lines.inverse_ratio, lines.ratio_variance, lines.line_flags),
        (
            F(table.saturation_counts),
            F(table.low_signal_snr**2),
            np.uint8(table.blank_mask),
            raw.dtype.kind == "f",
        ),
        uncertainty,
        (out.reflectance, packed_u, out.flags, out.tallies),
    )
    return out


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _calibrate(raw, table, lines, scalars, uncertainty, out):  # type: ignore[no-untyped-def]
    (
        dark, dark_change, inverse_response, fixed_variance, read_variance, shot,
        response_variance, element_flags, gain, offset, gain_variance, offset_variance,
        covariance, low, high, patch_band, patch_sample, patch_left, patch_right, patch_weight,
    ) = table  # fmt: skip
    dark_weight, inverse_ratio, ratio_variance, line_flags = lines
    saturation, snr2, blank, may_be_nan = scalars
    reflectance, packed_u, flags, tallies = out
    n_lines, bands, samples = raw.shape
    signal = np.empty(samples, np.float32)
    variance = np.empty(samples, np.float32)
    patch = 0
    for b in range(bands):
        patch_stop = patch
        while patch_stop < patch_band.size and patch_band[patch_stop] == b:
            patch_stop += 1
        g, a, lo, hi = gain[b], offset[b], low[b], high[b]
        for i in range(n_lines):
            w, iq, always = dark_weight[i], inverse_ratio[i], line_flags[i]
            slope = g * iq
            counts = raw[i, b]
            q_row = flags[b, i]
            r_row = reflectance[b, i]
            for s in range(samples):
                n = F(counts[s])
                net = (n - (dark[b, s] + w * dark_change[b, s])) * inverse_response[b, s]
                flag = element_flags[b, s] | always
                if n >= saturation:
                    flag |= SATURATED
                signal[s] = net
                q_row[s] = flag
            for p in range(patch, patch_stop):
                left, right, at = patch_left[p], patch_right[p], patch_sample[p]
                signal[at] = (
                    signal[left] * (_ONE - patch_weight[p]) + signal[right] * patch_weight[p]
                )
                q_row[at] |= (q_row[left] | q_row[right]) & SATURATED
            for s in range(samples):
                net = signal[s]
                noise2 = read_variance[b, s] + max(net, _ZERO) * shot[b, s]
                flag = q_row[s]
                if not (net > _ZERO and net * net >= snr2 * noise2):
                    flag |= LOW_SIGNAL
                value = a + slope * net
                if value < lo or value > hi:
                    flag |= OUTSIDE
                packed = np.rint(value * _R_SCALE)
                held = packed >= -_R_MAX and packed <= _R_MAX
                if not held:
                    flag |= BEYOND
                q_row[s] = flag
                r_row[s] = _R_FILL if (flag & blank) != 0 or not held else np.int16(packed)
            if uncertainty:
                u_row = packed_u[b, i]
                squared = slope * slope
                by_signal2 = gain_variance[b] * (iq * iq) + squared * ratio_variance[i]
                by_signal = F(2) * covariance[b] * iq
                constant = offset_variance[b]
                for s in range(samples):
                    net = signal[s]
                    own = fixed_variance[b, s] + max(net, _ZERO) * shot[b, s]
                    total = squared * (own + net * net * response_variance[b, s])
                    total = total + net * net * by_signal2 + net * by_signal + constant
                    variance[s] = np.sqrt(max(total, _ZERO)) * _U_SCALE
                for s in range(samples):
                    v = variance[s]
                    small = _TEN if v >= _TWO_DIGITS else _ONE
                    large = _THOUSAND if v >= _FOUR_DIGITS else _HUNDRED
                    unit = large if v >= _THREE_DIGITS else small
                    rounded = max(np.rint(v / unit) * unit, _ONE)
                    held = rounded <= _U_MAX
                    q_row[s] |= np.uint8(0) if held else BEYOND
                    rounded = rounded if held else _U_MAX
                    # By way of int32, which the compiler vectorises; to uint16 it does not.
                    u_row[s] = np.uint16(np.int32(rounded)) if r_row[s] != _R_FILL else _U_FILL
                # Rare, and so not in the loop above, which it would slow down.
                if (BEYOND & blank) != 0:
                    for s in range(samples):
                        if (q_row[s] & BEYOND) != 0:
                            r_row[s], u_row[s] = _R_FILL, _U_FILL
            if may_be_nan:
                for s in range(samples):
                    if np.isnan(signal[s]):
                        q_row[s] = (q_row[s] | NO_DATA) & ~BEYOND
        _tally_band(reflectance[b], packed_u[b], uncertainty, flags[b], tallies[b])
        patch = patch_stop


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _tally_band(reflectance, packed_u, uncertainty, flags, tallies):  # type: ignore[no-untyped-def]
    n_lines, samples = reflectance.shape
    n_saturated = n_low = n_outside = n_sound = n_negative = n_above = 0
    for i in range(n_lines):
        r_row, q_row = reflectance[i], flags[i]
        # A line is counted in 32 bits, of which the processor adds twice as many at a time.
        saturated = low = outside = sound = above = negative = _NONE
        for s in range(samples):
            flag = q_row[s]
            saturated = _I(saturated + _I((flag & SATURATED) != 0))
            low = _I(low + _I((flag & LOW_SIGNAL) != 0))
            outside = _I(outside + _I((flag & OUTSIDE) != 0))
            sound = _I(sound + _I((flag & _UNSOUND) == 0))
        for s in range(samples):
            above = _I(above + _I(r_row[s] > _ABOVE_PACKED))
        if uncertainty:
            u_row = packed_u[i]
            for s in range(samples):
                # In packed steps, all exact in float32.
                below = F(r_row[s]) * _STEPS < _NEGATIVE * F(u_row[s])
                negative = _I(negative + _I(below & ((q_row[s] & _UNSOUND) == 0)))
        n_saturated += int(saturated)
        n_low += int(low)
        n_outside += int(outside)
        n_sound += int(sound)
        n_above += int(above)
        n_negative += int(negative)
    tallies[0] = n_lines * samples
    tallies[1] = n_saturated
    tallies[2] = n_low
    tallies[3] = n_outside
    tallies[4] = n_sound
    tallies[5] = n_negative
    tallies[6] = n_above


def calibrate_block_numpy(
    raw: NDArray[Any], table: KernelTable, lines: LineTable, *, uncertainty: bool = True
) -> CalibratedBlock:
    """The plain twin of `calibrate_block`: same contract, array by array.

    It takes a ratio of a band and a line, (band, line), as well as one of a line alone.
    """
    counts = np.ascontiguousarray(raw.transpose(1, 0, 2)).astype(F)
    weight = lines.dark_weight[:, None]
    # A ratio of a line alone, (line, 1), or of a band and a line, (band, line, 1).
    ratio = equation.RatioCoefficients(
        lines.inverse_ratio[..., None], lines.ratio_variance[..., None]
    )

    def element(values: NDArray[Any]) -> NDArray[Any]:
        return values[:, None, :]

    def band(values: Array32) -> Array32:
        return values[:, None, None]

    folded = equation.ElementCoefficients(
        element(table.inverse_response),
        element(table.fixed_variance),
        element(table.read_variance),
        element(table.shot),
        element(table.response_variance),
    )
    dark = equation.line_dark(element(table.dark), weight, element(table.dark_change))
    signal = equation.folded_signal(counts, dark, folded)
    flags = element(table.element_flags) | lines.line_flags[:, None]
    flags = flags | np.where(counts >= F(table.saturation_counts), SATURATED, np.uint8(0))
    for b, at, left, right, share in zip(
        table.patch_band, table.patch_sample, table.patch_left, table.patch_right,
        table.patch_weight, strict=True,
    ):  # fmt: skip
        signal[b, :, at] = signal[b, :, left] * (_ONE - share) + signal[b, :, right] * share
        flags[b, :, at] |= (flags[b, :, left] | flags[b, :, right]) & SATURATED

    with np.errstate(all="ignore"):
        noise2 = equation.folded_noise(signal, folded)
        clear = (signal > _ZERO) & (signal * signal >= F(table.low_signal_snr**2) * noise2)
        flags = flags | np.where(clear, np.uint8(0), LOW_SIGNAL)
        variance = equation.FitVariance(
            band(table.gain_variance), band(table.offset_variance), band(table.covariance)
        )
        fit = equation.fold_fit(band(table.gain), variance, ratio)
        value = equation.reflectance_from_signal(signal, fit.slope, band(table.offset))
        outside = (value < band(table.low)) | (value > band(table.high))
        flags = flags | np.where(outside, OUTSIDE, np.uint8(0))
        packed = np.rint(value * _R_SCALE)
        held = (packed >= -_R_MAX) & (packed <= _R_MAX)
        flags = flags | np.where(held, np.uint8(0), BEYOND)
        empty = ((flags & np.uint8(table.blank_mask)) != 0) | ~held
        reflectance = np.where(empty, F(_R_FILL), packed).astype(np.int16)

        packed_u = None
        if uncertainty:
            total = equation.folded_variance(signal, folded, fit)
            scaled = np.sqrt(np.maximum(total, _ZERO)) * _U_SCALE
            steps = [scaled >= _FOUR_DIGITS, scaled >= _THREE_DIGITS, scaled >= _TWO_DIGITS]
            unit = np.select(steps, [_THOUSAND, _HUNDRED, _TEN], _ONE)
            rounded = np.maximum(np.rint(scaled / unit) * unit, _ONE)
            fits = rounded <= _U_MAX
            flags = flags | np.where(fits, np.uint8(0), BEYOND)
            rounded = np.where(fits, rounded, _U_MAX)
            if BEYOND & np.uint8(table.blank_mask):
                reflectance = np.where(fits, reflectance, _R_FILL)
            packed_u = np.where(reflectance == _R_FILL, F(_U_FILL), rounded).astype(np.uint16)
        lacking = np.isnan(signal)
        flags = np.where(lacking, (flags | NO_DATA) & ~BEYOND, flags)

    return CalibratedBlock(reflectance, packed_u, flags, _tally(reflectance, packed_u, flags))


def _tally(
    reflectance: NDArray[np.int16], packed_u: NDArray[np.uint16] | None, flags: Bytes
) -> NDArray[np.int64]:
    bands, n_lines, samples = reflectance.shape

    def count(mask: NDArray[np.bool_]) -> NDArray[np.int64]:
        return np.asarray(mask.reshape(bands, -1).sum(axis=1), np.int64)

    sound = (flags & _UNSOUND) == 0
    negative = np.zeros_like(sound)
    if packed_u is not None:
        negative = sound & (reflectance.astype(F) * _STEPS < _NEGATIVE * packed_u.astype(F))
    return np.column_stack(
        [
            np.full(bands, n_lines * samples, np.int64),
            count((flags & SATURATED) != 0),
            count((flags & LOW_SIGNAL) != 0),
            count((flags & OUTSIDE) != 0),
            count(sound),
            count(negative),
            count(reflectance > _ABOVE_PACKED),
        ]
    )
