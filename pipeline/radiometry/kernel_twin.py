"""The kernel's plain twin: the measurement equation on whole arrays, folded as in `equation`."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.radiometry import equation
from pipeline.radiometry.kernel import (
    ABOVE_PACKED,
    BEYOND,
    FOUR_DIGITS,
    HUNDRED,
    LOW_SIGNAL,
    NEGATIVE,
    NO_DATA,
    ONE,
    OUTSIDE,
    R_FILL,
    R_MAX,
    R_SCALE,
    SATURATED,
    STEPS,
    TEN,
    THOUSAND,
    THREE_DIGITS,
    TWO_DIGITS,
    U_FILL,
    U_MAX,
    U_SCALE,
    UNSOUND,
    ZERO,
    Bytes,
    CalibratedBlock,
    F,
    KernelTable,
    LineTable,
)
from pipeline.records import Array32


def calibrate_block_numpy(
    raw: NDArray[Any], table: KernelTable, lines: LineTable, *, uncertainty: bool = True
) -> CalibratedBlock:
    """The plain twin of `calibrate_block`: same contract, array by array."""
    counts = np.ascontiguousarray(raw.transpose(1, 0, 2)).astype(F)
    weight = lines.dark_weight[:, None]
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
    _interpolate(signal, flags, table)

    with np.errstate(all="ignore"):
        noise2 = equation.folded_noise(signal, folded)
        clear = (signal > ZERO) & (signal * signal >= F(table.low_signal_snr**2) * noise2)
        flags = flags | np.where(clear, np.uint8(0), LOW_SIGNAL)
        variance = equation.FitVariance(
            band(table.gain_variance), band(table.offset_variance), band(table.covariance)
        )
        fit = equation.fold_fit(band(table.gain), variance, ratio)
        value = equation.reflectance_from_signal(signal, fit.slope, band(table.offset))
        outside = (value < band(table.low)) | (value > band(table.high))
        flags = flags | np.where(outside, OUTSIDE, np.uint8(0))
        packed = np.rint(value * R_SCALE)
        held = (packed >= -R_MAX) & (packed <= R_MAX)
        flags = flags | np.where(held, np.uint8(0), BEYOND)
        empty = ((flags & np.uint8(table.blank_mask)) != 0) | ~held
        reflectance = np.where(empty, F(R_FILL), packed).astype(np.int16)

        packed_u = None
        if uncertainty:
            total = equation.folded_variance(signal, folded, fit)
            scaled = np.sqrt(np.maximum(total, ZERO)) * U_SCALE
            steps = [scaled >= FOUR_DIGITS, scaled >= THREE_DIGITS, scaled >= TWO_DIGITS]
            unit = np.select(steps, [THOUSAND, HUNDRED, TEN], ONE)
            rounded = np.maximum(np.rint(scaled / unit) * unit, ONE)
            fits = rounded <= U_MAX
            flags = flags | np.where(fits, np.uint8(0), BEYOND)
            rounded = np.where(fits, rounded, U_MAX)
            if BEYOND & np.uint8(table.blank_mask):
                reflectance = np.where(fits, reflectance, R_FILL)
            packed_u = np.where(reflectance == R_FILL, F(U_FILL), rounded).astype(np.uint16)
        lacking = np.isnan(signal)
        flags = np.where(lacking, (flags | NO_DATA) & ~BEYOND, flags)

    return CalibratedBlock(reflectance, packed_u, flags, _tally(reflectance, packed_u, flags))


def _interpolate(signal: Array32, flags: Bytes, table: KernelTable) -> None:
    """Bad elements from their neighbours, in place; saturation of a neighbour goes with it."""
    for b, at, left, right, share in zip(
        table.patch_band, table.patch_sample, table.patch_left, table.patch_right,
        table.patch_weight, strict=True,
    ):  # fmt: skip
        signal[b, :, at] = signal[b, :, left] * (ONE - share) + signal[b, :, right] * share
        flags[b, :, at] |= (flags[b, :, left] | flags[b, :, right]) & SATURATED


def _tally(
    reflectance: NDArray[np.int16], packed_u: NDArray[np.uint16] | None, flags: Bytes
) -> NDArray[np.int64]:
    bands, n_lines, samples = reflectance.shape

    def count(mask: NDArray[np.bool_]) -> NDArray[np.int64]:
        return np.asarray(mask.reshape(bands, -1).sum(axis=1), np.int64)

    sound = (flags & UNSOUND) == 0
    negative = np.zeros_like(sound)
    if packed_u is not None:
        negative = sound & (reflectance.astype(F) * STEPS < NEGATIVE * packed_u.astype(F))
    return np.column_stack(
        [
            np.full(bands, n_lines * samples, np.int64),
            count((flags & SATURATED) != 0),
            count((flags & LOW_SIGNAL) != 0),
            count((flags & OUTSIDE) != 0),
            count(sound),
            count(negative),
            count(reflectance > ABOVE_PACKED),
        ]
    )
