"""From a block of raw counts to packed reflectance, packed uncertainty and flags, in one pass.

Compiled, and without the GIL. `kernel_twin` is the same arithmetic array by array, taken from
`equation`, against which the tests hold this one bit for bit: both work in float32 and in the same
order of operations.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled.call import compiled, inlined
from pipeline.flags import QualityFlag
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
UNSOUND = np.uint8(SATURATED | BAD_ELEMENT | NO_CALIBRATION | NO_DATA | BEYOND)

R_SCALE, U_SCALE = F(1 / REFLECTANCE.step), F(1 / UNCERTAINTY.step)
R_FILL, U_FILL = np.int16(REFLECTANCE.fill), np.uint16(UNCERTAINTY.fill)
R_MAX, U_MAX = F(REFLECTANCE.largest), F(UNCERTAINTY.largest)
#: Uncertainty's steps in one of reflectance.
STEPS = F(round(REFLECTANCE.step / UNCERTAINTY.step))
NEGATIVE = F(-NEGATIVE_UNCERTAINTIES)
ABOVE_PACKED = np.int16(round(ABOVE_ONE_REFLECTANCE / REFLECTANCE.step))
ZERO, ONE, TEN, HUNDRED, THOUSAND = F(0), F(1), F(10), F(100), F(1000)
TWO_DIGITS, THREE_DIGITS, FOUR_DIGITS = F(99.5), F(995), F(9950)


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
    """What changes from line to line.

    (line,): `dark_weight` [1], `line_flags` uint8 quality flags of the whole line.
    (band, line), or (line,) where the light is the same for all bands: `inverse_ratio` 1/q [1],
    `ratio_variance` (u(q)/q)^2 [1].
    """

    dark_weight: Array32
    inverse_ratio: Array32
    ratio_variance: Array32
    line_flags: Bytes

    def told_unwritten(self, unwritten: NDArray[np.bool_]) -> LineTable:
        """The same, `no_data` at lines that were never written, (line,)."""
        if not unwritten.any():
            return self
        flags = np.where(unwritten, self.line_flags | NO_DATA, self.line_flags)
        return replace(self, line_flags=flags.astype(np.uint8))

    def part(self, start: int, stop: int) -> LineTable:
        """The lines from `start` up to `stop`."""
        columns = (getattr(self, f.name)[..., start:stop] for f in fields(self))
        return LineTable(*(np.ascontiguousarray(column) for column in columns))


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


def low_buffers(whole: CalibratedBlock, lines: int) -> CalibratedBlock:
    """Memory of a block's `block_buffers` for one with fewer lines."""
    bands, _, samples = whole.reflectance.shape

    def first(values: NDArray[Any]) -> NDArray[Any]:
        return values.reshape(-1)[: bands * lines * samples].reshape(bands, lines, samples)

    return CalibratedBlock(
        first(whole.reflectance),
        None if whole.uncertainty is None else first(whole.uncertainty),
        first(whole.flags),
        whole.tallies,
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
        (
            lines.dark_weight,
            np.atleast_2d(lines.inverse_ratio),
            np.atleast_2d(lines.ratio_variance),
            lines.line_flags,
        ),
        (
            F(table.saturation_counts),
            F(table.low_signal_snr**2),
            np.uint8(table.blank_mask),
            raw.dtype.kind == "f",
        ),
        uncertainty,
        np.empty((2, samples), np.float32),
        (out.reflectance, packed_u, out.flags, out.tallies),
    )
    return out


@compiled
def _calibrate(raw, table, lines, scalars, uncertainty, of_row, out):  # type: ignore[no-untyped-def]
    (
        dark, dark_change, inverse_response, fixed_variance, read_variance, shot,
        response_variance, element_flags, gain, offset, gain_variance, offset_variance,
        covariance, low, high, patch_band, patch_sample, patch_left, patch_right, patch_weight,
    ) = table  # fmt: skip
    dark_weight, inverse_ratio, ratio_variance, line_flags = lines
    saturation, snr2, blank, may_be_nan = scalars
    reflectance, packed_u, flags, tallies = out
    n_lines, bands, samples = raw.shape
    signal, variance = of_row[0], of_row[1]
    patch = 0
    for b in range(bands):
        patch_stop = patch
        while patch_stop < patch_band.size and patch_band[patch_stop] == b:
            patch_stop += 1
        # Light that is the same for all bands has one row for them all.
        lit = b if inverse_ratio.shape[0] > 1 else 0
        for i in range(n_lines):
            iq, q_row, r_row = inverse_ratio[lit, i], flags[b, i], reflectance[b, i]
            of_row = (dark[b], dark_change[b], inverse_response[b], element_flags[b])
            _signal_row(raw[i, b], of_row, dark_weight[i], line_flags[i], saturation, signal, q_row)
            for p in range(patch, patch_stop):
                left, right, at = patch_left[p], patch_right[p], patch_sample[p]
                signal[at] = (
                    signal[left] * (ONE - patch_weight[p]) + signal[right] * patch_weight[p]
                )
                q_row[at] |= (q_row[left] | q_row[right]) & SATURATED
            line = (gain[b] * iq, offset[b], low[b], high[b])
            _reflectance_row(signal, read_variance[b], shot[b], line, snr2, blank, r_row, q_row)
            if uncertainty:
                squared = line[0] * line[0]
                by_signal2 = gain_variance[b] * (iq * iq) + squared * ratio_variance[lit, i]
                folded = (squared, by_signal2, F(2) * covariance[b] * iq, offset_variance[b])
                of_noise = (fixed_variance[b], shot[b], response_variance[b])
                _deviation_row(signal, of_noise, folded, variance)
                _pack_deviation_row(variance, blank, r_row, q_row, packed_u[b, i])
            if may_be_nan:
                for s in range(samples):
                    if np.isnan(signal[s]):
                        q_row[s] = (q_row[s] | NO_DATA) & ~BEYOND
        _tally_band(reflectance[b], packed_u[b], uncertainty, flags[b], tallies[b])
        patch = patch_stop


@inlined
def _signal_row(counts, elements, weight, always, saturation, signal, flags):  # type: ignore[no-untyped-def]
    dark, dark_change, inverse_response, element_flags = elements
    for s in range(signal.size):
        n = F(counts[s])
        signal[s] = (n - (dark[s] + weight * dark_change[s])) * inverse_response[s]
        flag = element_flags[s] | always
        if n >= saturation:
            flag |= SATURATED
        flags[s] = flag


@inlined
def _reflectance_row(signal, read_variance, shot, line, snr2, blank, packed_r, flags):  # type: ignore[no-untyped-def]
    slope, a, lo, hi = line
    for s in range(signal.size):
        net = signal[s]
        noise2 = read_variance[s] + max(net, ZERO) * shot[s]
        flag = flags[s]
        if not (net > ZERO and net * net >= snr2 * noise2):
            flag |= LOW_SIGNAL
        value = a + slope * net
        if value < lo or value > hi:
            flag |= OUTSIDE
        packed = np.rint(value * R_SCALE)
        held = packed >= -R_MAX and packed <= R_MAX
        if not held:
            flag |= BEYOND
        flags[s] = flag
        packed_r[s] = R_FILL if (flag & blank) != 0 or not held else np.int16(packed)


@inlined
def _deviation_row(signal, elements, folded, deviation):  # type: ignore[no-untyped-def]
    fixed_variance, shot, response_variance = elements
    squared, by_signal2, by_signal, constant = folded
    for s in range(signal.size):
        net = signal[s]
        own = fixed_variance[s] + max(net, ZERO) * shot[s]
        total = squared * (own + net * net * response_variance[s])
        total = total + net * net * by_signal2 + net * by_signal + constant
        deviation[s] = np.sqrt(max(total, ZERO)) * U_SCALE


@inlined
def _pack_deviation_row(deviation, blank, packed_r, flags, packed_u):  # type: ignore[no-untyped-def]
    for s in range(deviation.size):
        v = deviation[s]
        small = TEN if v >= TWO_DIGITS else ONE
        large = THOUSAND if v >= FOUR_DIGITS else HUNDRED
        unit = large if v >= THREE_DIGITS else small
        rounded = max(np.rint(v / unit) * unit, ONE)
        held = rounded <= U_MAX
        flags[s] |= np.uint8(0) if held else BEYOND
        rounded = rounded if held else U_MAX
        # By way of int32, which the compiler vectorises; to uint16 it does not.
        packed_u[s] = np.uint16(np.int32(rounded)) if packed_r[s] != R_FILL else U_FILL
    # Rare, and so not in the loop above, which it would slow down.
    if (BEYOND & blank) != 0:
        for s in range(deviation.size):
            if (flags[s] & BEYOND) != 0:
                packed_r[s], packed_u[s] = R_FILL, U_FILL


@inlined
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
            sound = _I(sound + _I((flag & UNSOUND) == 0))
        for s in range(samples):
            above = _I(above + _I(r_row[s] > ABOVE_PACKED))
        if uncertainty:
            u_row = packed_u[i]
            for s in range(samples):
                # In packed steps, all exact in float32.
                below = F(r_row[s]) * STEPS < NEGATIVE * F(u_row[s])
                negative = _I(negative + _I(below & ((q_row[s] & UNSOUND) == 0)))
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
