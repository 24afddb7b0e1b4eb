"""Checks of the spectrum and of the result."""

from __future__ import annotations

import math
from collections.abc import Sequence

from numpy.typing import ArrayLike

from pipeline.radiometry.checks.row import Limits, listed, many, not_checked, percent, row
from pipeline.radiometry.limits import (
    ABOVE_ONE_REFLECTANCE,
    LIMITS,
    O2A_SHAPE_NM,
    SHIFT_ERRORS,
)
from pipeline.radiometry.spectrum import smile_range
from pipeline.records import Check


def wavelength_shift(
    shift_nm: float | None,
    standard_error_nm: float | None,
    fwhm_nm: float | None,
    *,
    limits: Limits = LIMITS,
) -> Check:
    """Shift of the O2-A dip, magnitude over FWHM, from `radiometry.spectrum.o2a_shift`.

    `fwhm_nm` is that of the bands at 760 nm. To the fit's standard error that of the dip's own
    place is added, which the air mass moves. A shift beyond its limit but within 3 standard errors
    is not known well enough to be judged: `not checked`.
    """
    shift, error, width = _numbers(shift_nm, standard_error_nm, fwhm_nm)
    error = math.hypot(error, O2A_SHAPE_NM)
    if not (math.isfinite(shift) and width > 0):
        return not_checked(
            limits,
            "wavelength-shift",
            "no O2-A dip to be found: bands wider than 12 nm, none near 760 nm, or too much noise",
        )
    says = f"the O2-A dip lies {shift:+.2f} nm (standard error {error:.2f}) from where it should"
    made = row(
        limits, "wavelength-shift", abs(shift) / width, f"{says}, {abs(shift) / width:.2f} of FWHM"
    )
    if made.verdict != "pass" and not abs(shift) > SHIFT_ERRORS * error:
        return not_checked(limits, "wavelength-shift", f"{says}: too uncertain to judge")
    return made


def smile(
    shift_nm: ArrayLike | None,
    standard_error_nm: ArrayLike | None,
    fwhm_nm: float | None,
    *,
    limits: Limits = LIMITS,
) -> Check:
    """Range of the O2-A shift across samples, over FWHM, from `radiometry.spectrum.smile`.

    `shift_nm` and its error are (group,). It counts when it exceeds 3 of its own standard errors.
    """
    width = _numbers(fwhm_nm)[0]
    value, range_error = smile_range(
        math.nan if shift_nm is None else shift_nm,
        math.nan if standard_error_nm is None else standard_error_nm,
    )
    if not (math.isfinite(value) and width > 0):
        return not_checked(limits, "smile", "no O2-A dip in four groups of samples or more")
    return row(
        limits,
        "smile",
        value / width,
        f"the O2-A dip moves by {value:.2f} nm (standard error {range_error:.2f}) across the "
        f"samples, {value / width:.2f} of FWHM",
        counts=value > SHIFT_ERRORS * range_error,
    )


def negative(below: int | None, samples: int | None, *, limits: Limits = LIMITS) -> Check:
    """Share of unflagged samples below minus 3 standard uncertainties.

    `below` and `samples` are numbers of samples; None without the uncertainty.
    """
    if below is None or not samples:
        return not_checked(limits, "negative", "no unflagged sample with its uncertainty")
    share = below / samples
    return row(
        limits,
        "negative",
        share,
        f"{percent(share)} of the samples lie below minus 3 "
        "standard uncertainties, where noise alone gives 0.13 %",
    )


def above_one(above: int | None, samples: int | None, *, limits: Limits = LIMITS) -> Check:
    """Share of samples with reflectance above 1.5."""
    if above is None or not samples:
        return not_checked(limits, "above-one", "no calibrated sample")
    share = above / samples
    return row(
        limits,
        "above-one",
        share,
        f"{percent(share)} of the samples are above {ABOVE_ONE_REFLECTANCE}",
    )


def reread(chunks: int | None, wrong: Sequence[str] = (), *, limits: Limits = LIMITS) -> Check:
    """Chunks read back that decode to other values; `wrong` names them, `chunks` were read."""
    if not chunks:
        return not_checked(limits, "reread", "no chunk was read back")
    says = f"{many(chunks, 'chunk')} read back as computed"
    if wrong:
        says = f"{len(wrong)} of {many(chunks, 'chunk')} read back otherwise: {listed(wrong)}"
    return row(limits, "reread", len(wrong), says, subject=wrong[0] if wrong else "")


def _numbers(*values: float | None) -> tuple[float, ...]:
    return tuple(math.nan if value is None else float(value) for value in values)
