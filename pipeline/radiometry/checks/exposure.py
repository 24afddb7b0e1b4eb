"""Checks of the exposure: bright enough, not saturated, the noise as expected."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry.checks.row import Limits, band_names, many, not_checked, percent, row
from pipeline.radiometry.limits import LIMITS, LOW_SIGNAL_SNR, UNUSABLE_SNR
from pipeline.records import Array, Check


def panel_peak(
    peak_counts: Mapping[str, float] | None,
    full_scale_counts: float,
    *,
    dark_counts: float = 0.0,
    saturation_counts: float = math.inf,
    exposure_ms: float = math.nan,
    limits: Limits = LIMITS,
) -> Check:
    """Brightest panel's peak, raw counts, over full scale.

    `peak_counts` by panel; `dark_counts` is the level without light, which no exposure changes,
    `exposure_ms` the exposure as it was, NaN where unknown. Both give the advice its number.
    """
    peaks = {name: peak for name, peak in (peak_counts or {}).items() if math.isfinite(peak)}
    if not peaks:
        return not_checked(limits, "panel-peak", "no panel was read")
    name = max(peaks, key=lambda one: peaks[one])
    share = peaks[name] / full_scale_counts
    caution = limits["panel-peak"].caution
    do = ""
    if isinstance(caution, tuple):
        low, high = (_as_coarse_as_the_limit(end * full_scale_counts) for end in caution)
        aim = f"so that the brightest panel peaks at {low} to {high} counts"
        middle = sum(caution) / 2 * full_scale_counts
        factor = (middle - dark_counts) / max(peaks[name] - dark_counts, 1.0)
        do = f"{'Lengthen' if share < caution[0] else 'Shorten'} the exposure {factor:.2f} times"
        if math.isfinite(exposure_ms):
            do += f", from {exposure_ms:.3g} to {exposure_ms * factor:.3g} ms"
        # What saturated would have gone higher yet.
        do += f"{' or less' if peaks[name] >= saturation_counts else ''}, {aim}"
    return row(
        limits,
        "panel-peak",
        share,
        f"{name} peaks at {peaks[name]:.0f} of {full_scale_counts:.0f} counts ({percent(share)})",
        subject=name,
        do=do,
    )


def _as_coarse_as_the_limit(counts: float) -> str:
    """Counts to two digits: the limits are shares of two, so 0.73 of 4095 stands for 3000."""
    return f"{float(f'{counts:.2g}'):.0f}"


def panel_saturated(
    saturated_share: Mapping[str, ArrayLike] | None,
    *,
    wavelength_nm: Array | None = None,
    limits: Limits = LIMITS,
) -> Check:
    """Bands in which a fit panel's core touches saturation.

    `saturated_share` is (band,) [1] by fit panel, NaN where nothing measures. Fails when every
    fit panel is saturated in every band that measures; short of that only bands are lost.
    """
    if not saturated_share:
        return not_checked(limits, "panel-saturated", "no fit panel was read")
    share = np.stack([np.asarray(one, np.float64) for one in saturated_share.values()])
    measured = np.isfinite(share)
    if not measured.any():
        return not_checked(limits, "panel-saturated", "no band of the fit panels measures")
    touched = measured & (share > 0)
    any_panel = touched.any(axis=0)
    lost = (touched == measured).all(axis=0) & measured.any(axis=0)
    total = bool((touched == measured).all())
    name = list(saturated_share)[int(touched.sum(axis=1).argmax())] if touched.any() else ""
    says = "no fit panel is saturated in any band"
    if touched.any():
        says = f"saturated in {many(int(any_panel.sum()), 'band')}, most of them on {name}"
        says += f" ({band_names(any_panel, wavelength_nm)})"
        if lost.any():
            says += f"; no fit panel is left in {many(int(lost.sum()), 'band')}"
    return row(
        limits,
        "panel-saturated",
        int(any_panel.sum()),
        says,
        subject=name,
        at_least="fail" if total else "pass",
        costs_part=not total,
    )


def scene_saturated(
    saturated: ArrayLike | None,
    samples: ArrayLike | None,
    *,
    wavelength_nm: Array | None = None,
    limits: Limits = LIMITS,
) -> Check:
    """Share of scene samples that are saturated.

    `saturated` and `samples` are (band,) numbers of saturated and of all samples, or single
    numbers over all bands.
    """
    if saturated is None or samples is None or not (total := float(np.sum(samples))) > 0:
        return not_checked(limits, "scene-saturated", "no scene sample was looked at")
    hit = np.atleast_1d(np.asarray(saturated, np.float64))
    share = float(hit.sum()) / total
    says = f"{percent(share)} of the scene's samples are saturated"
    if hit.size > 1 and hit.any():
        each = np.broadcast_to(np.asarray(samples, np.float64), hit.shape)
        by_band = np.divide(hit, each, out=np.zeros_like(hit), where=each > 0)
        worst = int(by_band.argmax())
        at = band_names(np.arange(hit.size) == worst, wavelength_nm)
        says += f", most in {at} ({percent(float(by_band[worst]))})"
    return row(limits, "scene-saturated", share, says)


def scene_low_signal(
    snr: ArrayLike | None,
    *,
    flagged_below: float = 0.0,
    wavelength_nm: Array | None = None,
    limits: Limits = LIMITS,
) -> Check:
    """Bands whose median scene signal is below 10 times its noise.

    `snr` is (band,), NaN where nothing measures: such bands are not counted. Fails when every
    band is low; bands below 3 are called unusable. `flagged_below` is the config's
    quality.low_signal_snr: a band below it, most samples of which carry the flag, is low too.
    """
    ratio = np.atleast_1d(np.asarray(math.nan if snr is None else snr, np.float64))
    measured = np.isfinite(ratio)
    if not measured.any():
        return not_checked(limits, "scene-low-signal", "no scene signal was looked at")
    least = max(LOW_SIGNAL_SNR, flagged_below)
    low, unusable = measured & (ratio < least), measured & (ratio < UNUSABLE_SNR)
    says = f"every band's median signal is at least {least:g} times its noise"
    if low.any():
        says = (
            f"{many(int(low.sum()), 'band')} below {least:g} times the noise "
            f"({band_names(low, wavelength_nm)})"
        )
    if unusable.any():
        says += (
            f"; {int(unusable.sum())} below {UNUSABLE_SNR:g} times, unusable "
            f"({band_names(unusable, wavelength_nm)})"
        )
    do = ""
    if flagged_below > LOW_SIGNAL_SNR:
        do = f"Lower quality.low_signal_snr, which is {flagged_below:g}, or leave the bands out"
    return row(limits, "scene-low-signal", int(low.sum()), says, do=do, fail=float(measured.sum()))


def noise_model(
    estimated: float | None,
    configured: float | None,
    *,
    standard_error: float | None = None,
    limits: Limits = LIMITS,
) -> Check:
    """Overall system gain K by photon transfer over the config's, both electrons a count."""
    if estimated is None or not (math.isfinite(estimated) and estimated > 0):
        return not_checked(limits, "noise-model", "photon transfer gave no overall system gain")
    text = f"{estimated:.3g}"
    if standard_error is not None and math.isfinite(standard_error):
        text += f" (standard error {standard_error:.2g})"
    if not configured:
        return not_checked(
            limits,
            "noise-model",
            "the config gives no sensor.electrons_per_count; photon "
            f"transfer gives {text} electrons a count, which is used",
        )
    return row(
        limits,
        "noise-model",
        estimated / configured,
        f"photon transfer gives {text} electrons a count, the config {configured:.3g}",
    )
