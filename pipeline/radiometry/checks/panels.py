"""Checks of the panels and of their certificates."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry.checks.dark import farthest_minutes
from pipeline.radiometry.checks.row import (
    Limits,
    finite,
    listed,
    many,
    median,
    not_checked,
    percent,
    row,
    worst,
)
from pipeline.radiometry.limits import (
    LIMITS,
    ORDER_RELATIVE,
    PANEL_AGE_COSINE,
    SAMPLES_APART,
)
from pipeline.radiometry.panels.core import TRIM
from pipeline.records import Array, Check

#: Spectra by panel: (band,) arrays, NaN where a band does not measure or is not covered.
ByPanel = Mapping[str, ArrayLike]
#: Reflectance above the offset below which a signal ratio is mostly noise (own arithmetic).
_RATIO_FLOOR = 0.01


def spectrum_of(values: ArrayLike) -> Array:
    """A spectrum as doubles."""
    return np.asarray(values, np.float64)


def panel_samples(
    pixels: Mapping[str, int], *, sample_width_m: float = math.nan, limits: Limits = LIMITS
) -> Check:
    """Samples in the smallest core; `pixels` by panel.

    `sample_width_m` on the ground, NaN where unknown, gives the advice its number.
    """
    if not pixels:
        return not_checked(limits, "panel-samples", "no panel was read")
    name = min(pixels, key=lambda one: pixels[one])
    do, wanted = "", limits["panel-samples"].caution
    if isinstance(wanted, int | float):
        side = math.ceil(math.sqrt(wanted)) + 2 * TRIM
        here = f" ({side * sample_width_m:.2g} m a side at this height)"
        do = f"Lay out a panel of {side} x {side} samples or more"
        do += f"{here if math.isfinite(sample_width_m) else ''}, fly lower, or widen the window"
    return row(
        limits,
        "panel-samples",
        pixels[name],
        f"the core of {name} has {many(pixels[name], 'sample')}",
        subject=name,
        do=do,
    )


def panel_uniformity(uniformity: ByPanel, *, limits: Limits = LIMITS) -> Check:
    """Spread across the core beyond noise, over its mean: median over bands, worst panel."""
    found = worst({name: median(one) for name, one in uniformity.items()})
    if found is None:
        return not_checked(limits, "panel-uniformity", "no panel was read")
    name, spread = found
    return row(
        limits,
        "panel-uniformity",
        spread,
        f"the signal varies by {percent(spread)} across {name}",
        subject=name,
    )


def panel_order(signal: ByPanel, reflectance: ByPanel, *, limits: Limits = LIMITS) -> Check:
    """Panels out of the order of their certificates.

    A pair is out of order when the one with the larger certified reflectance has the smaller
    signal in more than half of the bands that both have. Certificates within 2 % have no order.
    """
    names, values, certified = _by_brightness(signal, reflectance)
    level = [median(one) for one in certified]
    told, out = False, []
    for i in range(len(names)):
        # Certificates closer than their usual uncertainty have no order.
        apart = [b - level[i] > ORDER_RELATIVE * b for b in level[i + 1 :]]
        j = i + 1 + (apart.index(True) if True in apart else len(apart))
        told |= j < len(names)
        with np.errstate(invalid="ignore"):
            both = np.sign(certified[j:] - certified[i]) * np.sign(values[j:] - values[i])
            known = np.maximum(np.isfinite(both).sum(axis=1), 1)
            wrong = (both < 0).sum(axis=1) / known > 0.5
        out += [(names[i], names[k]) for k in j + np.flatnonzero(wrong)]
    if not told:
        return not_checked(limits, "panel-order", "fewer than two panels of different reflectance")
    names = list(dict.fromkeys(name for pair in out for name in pair))
    says = f"{many(len(signal), 'panel')} in the order of their certificates"
    if out:
        says = f"{' and '.join(out[0])} are in another order than their certificates"
        if len(names) > 2:
            says += f"; {many(len(names), 'panel')} are concerned: {listed(names)}"
    return row(limits, "panel-order", len(names), says, subject=names[0] if names else "")


def panel_ratio(
    signal: ByPanel,
    reflectance: ByPanel,
    offset: ArrayLike | None = None,
    *,
    limits: Limits = LIMITS,
) -> Check:
    """Worst departure of a pair's signal ratio from (rho1 - a) / (rho2 - a).

    Parameters
    ----------
    signal, reflectance : by panel, fit and check panels alike
    offset : (band,) [1] the fit's a; None or zeros where gain alone was fitted. An offset that
        two panels fixed makes their ratio right by construction, so that three are needed.
    """
    a0 = np.zeros(1) if offset is None else np.nan_to_num(spectrum_of(offset))
    needed = 3 if a0.any() else 2
    if len(signal) < needed:
        return not_checked(
            limits,
            "panel-ratio",
            f"{many(len(signal), 'panel')}; {needed} are needed to say more than the fit does",
        )
    names, values, certified = _by_brightness(signal, reflectance)
    with np.errstate(invalid="ignore"):
        good = (certified - a0 > _RATIO_FLOOR) & (values > 0)
    white = np.divide(values, certified - a0, out=np.full(good.shape, math.nan), where=good)
    departure: dict[str, float] = {}
    for i, a in enumerate(names[:-1]):
        each = _medians(white[i + 1 :] / white[i] - 1)
        departure |= {f"{b} / {a}": float(v) for b, v in zip(names[i + 1 :], each, strict=True)}
    found = worst(departure)
    if found is None:
        return not_checked(limits, "panel-ratio", "no pair of panels is bright enough for a ratio")
    pair, off = found
    return row(
        limits,
        "panel-ratio",
        abs(off),
        f"the signal ratio {pair} is {100 * off:+.2f} % off its certificates' ratio",
        subject=pair,
    )


def panel_span(
    below_share: float | None, above_share: float | None, *, limits: Limits = LIMITS
) -> Check:
    """Share of scene samples below the darkest and above the brightest fit panel."""
    if below_share is None or above_share is None:
        return not_checked(limits, "panel-span", "no scene sample was calibrated")
    return row(
        limits,
        "panel-span",
        below_share + above_share,
        f"{percent(below_share)} of the scene is darker than the darkest fit panel, "
        f"{percent(above_share)} brighter than the brightest",
    )


def panel_repeat(
    passes: Mapping[str, Sequence[ArrayLike]],
    *,
    apart: Mapping[str, float] | None = None,
    response_known: bool = True,
    light_followed: bool = False,
    limits: Limits = LIMITS,
) -> Check:
    """Change of a panel's signal between passes.

    Parameters
    ----------
    passes : one (band,) signal a pass, by panel, after the response and the light that are used.
        The change is the range of the median ratio to the panel's first pass
    apart : farthest distance of the passes' samples over the swath, by panel
    response_known : a flat or the scene told the response; where not, passes that lie at other
        samples differ by a lens's falloff as soon as by the light, and to follow the light by them
        would put the one into the other
    light_followed : the light was followed already
    """
    change: dict[str, float] = {}
    for name, spectra in passes.items():
        first = spectrum_of(spectra[0]) if spectra else np.zeros(0)
        ratios = finite(
            [
                median(
                    np.divide(
                        spectrum_of(one), first, out=np.full(first.shape, math.nan), where=first > 0
                    )
                )
                for one in spectra
            ]
        )
        if ratios.size > 1:
            change[name] = float(np.ptp(ratios))
    found = worst(change)
    if found is None:
        return not_checked(limits, "panel-repeat", "no panel was passed over twice")
    name, moved = found
    says = f"the signal of {name} changes by {percent(moved)} between {len(passes[name])} passes"
    do = ""
    if not response_known and (apart or {}).get(name, 0.0) > SAMPLES_APART:
        says += ", which lie at different samples, where the response may differ"
        do = (
            'Record a flat, or use calibration.response = "scene", before the light is followed '
            "by these passes: it may have been steady"
        )
    elif light_followed:
        do = "Look at the named panel's windows, shadows and tilt: the light was followed already"
    return row(
        limits,
        "panel-repeat",
        moved,
        says,
        subject=name,
        do=do,
    )


def panel_age(
    line_time_s: ArrayLike | None,
    panel_time_s: ArrayLike | None,
    *,
    cosine_change: float | None = None,
    limits: Limits = LIMITS,
) -> Check:
    """Minutes from the farthest line to its nearest panel reading.

    `cosine_change`, from a position and the times (`geometry.sun_cosine_change`), is the largest
    relative change of the cosine of the sun's zenith angle; above 1 % it is caution as well.
    """
    minutes = farthest_minutes(line_time_s, panel_time_s)
    if math.isnan(minutes):
        return not_checked(
            limits, "panel-age", "the time of the lines or of the panels is not known"
        )
    says = f"the farthest line is {minutes:.1f} min from its nearest panel reading"
    moved = False
    if cosine_change is not None and math.isfinite(cosine_change):
        moved = abs(cosine_change) > PANEL_AGE_COSINE
        says += f"; the cosine of the sun's zenith angle changes by {percent(abs(cosine_change))}"
    return row(limits, "panel-age", minutes, says, at_least="caution" if moved else "pass")


def _by_brightness(signal: ByPanel, reflectance: ByPanel) -> tuple[list[str], Array, Array]:
    """Panels from dark to bright by their certificates' medians: names, signals, certificates.

    The spectra are (panel, band).
    """
    level = {n: median(reflectance[n]) for n in signal if n in reflectance}
    names = sorted((n for n in level if math.isfinite(level[n])), key=lambda n: level[n])
    rows = [np.broadcast_arrays(spectrum_of(signal[n]), spectrum_of(reflectance[n])) for n in names]
    if not rows:
        return [], np.empty((0, 0)), np.empty((0, 0))
    return names, np.stack([s for s, _ in rows]), np.stack([r for _, r in rows])


def _medians(rows: Array) -> Array:
    """Median of each row's finite values; NaN where there are none."""
    out = np.asarray(np.median(rows, axis=1))
    for k in np.flatnonzero(np.isnan(out)):
        out[k] = median(rows[k])
    return out
