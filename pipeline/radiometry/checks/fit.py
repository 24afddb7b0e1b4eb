"""Checks of the empirical line: how it fits, and what it predicts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry.checks.panels import ByPanel, spectrum_of
from pipeline.radiometry.checks.row import (
    Limits,
    band_names,
    many,
    median,
    not_checked,
    row,
    worst,
    worst_stretch,
)
from pipeline.radiometry.curvature import squared_term
from pipeline.radiometry.distributions import reduced_chi_square_point
from pipeline.radiometry.limits import (
    CHECK_PANEL_RELATIVE,
    CONSISTENCY_SIGMAS,
    LIMITS,
)
from pipeline.records import Array, Check


def fit_residual(
    residual: ArrayLike,
    panels: Sequence[str],
    degrees_of_freedom: ArrayLike,
    *,
    wavelength_nm: Array | None = None,
    limits: Limits = LIMITS,
) -> Check:
    """Worst panel's residual, root mean square over the worst eighth of the bands.

    Parameters
    ----------
    residual : (panel, band) [1], NaN where a panel is not in the fit
    degrees_of_freedom : (band,); with none the line goes through every panel exactly, and a
        residual of zero would say nothing

    Notes
    -----
    Neighbouring bands, `worst_stretch`: dirt darkens a panel in the blue alone, which the whole
    range would hide, and one noisy band is no fault of a panel.
    """
    free = np.asarray(degrees_of_freedom) > 0
    left = np.where(free, np.asarray(residual, np.float64), math.nan)
    stretch = {name: worst_stretch(one) for name, one in zip(panels, left, strict=True)}
    found = worst({name: size for name, (size, _) in stretch.items()})
    if found is None:
        return not_checked(
            limits,
            "fit-residual",
            f"{many(len(panels), 'panel')} leave the fit no residual",
            do="Lay out one more panel, to fit or to check",
        )
    name, size = found
    return row(
        limits,
        "fit-residual",
        size,
        f"{name} is {size:.4f} in reflectance from the fitted line "
        f"({band_names(stretch[name][1], wavelength_nm)})",
        subject=name,
    )


def fit_consistency(
    chi_square: ArrayLike,
    degrees_of_freedom: ArrayLike,
    *,
    without: Mapping[str, float] | None = None,
    limits: Limits = LIMITS,
) -> Check:
    """Median reduced chi-square over bands against its 99 % point.

    Both are (band,). `without` is the same by panel, when that panel is left out and all others,
    check panels too, are in: it names the panel that the others agree without. The limit is the
    99 % point for one band with the median number of degrees of freedom: the bands' errors go
    together, so their median is no steadier than one of them.
    """
    chi, free = spectrum_of(chi_square), np.asarray(degrees_of_freedom, np.float64)
    good = np.isfinite(chi) & (free > 0)
    if not good.any():
        return not_checked(
            limits,
            "fit-consistency",
            "the fit has no degree of freedom left",
            do="Lay out one more panel",
        )
    point = float(reduced_chi_square_point(np.median(free[good])))
    value = float(np.median(chi[good]))
    says = f"the median reduced chi-square is {value:.2f}, its 99 % point {point:.2f}"
    rest = {name: one for name, one in (without or {}).items() if math.isfinite(one)}
    name = min(rest, key=lambda one: rest[one]) if rest and value > point else ""
    if name:
        says += f"; the panels agree best without {name}, where it is {rest[name]:.2f}"
    return row(limits, "fit-consistency", value, says, subject=name, caution=point)


def fit_offset(offset: ArrayLike, *, fitted: bool = True, limits: Limits = LIMITS) -> Check:
    """Median absolute offset; (band,) [1]. `fitted` is false where gain alone was fitted."""
    size = median(np.abs(spectrum_of(offset)))
    if not fitted or not math.isfinite(size):
        return not_checked(
            limits,
            "fit-offset",
            "one panel fits the gain alone, without an offset",
            do="Lay out a second, darker panel",
        )
    return row(
        limits,
        "fit-offset",
        size,
        f"the line's median offset is {median(offset):+.4f} in reflectance (magnitude {size:.4f})",
    )


def fit_curvature(
    signal: ByPanel,
    reflectance: ByPanel,
    uncertainty: ByPanel | None = None,
    *,
    limits: Limits = LIMITS,
) -> Check:
    """Effect of a squared term at mid range, over the reflectance there; median over bands.

    The arguments are (band,) by panel; `uncertainty` is the standard uncertainty of a panel's
    point in reflectance. Where given, the effect counts only beyond what it explains at the
    point of `fit-consistency`: panels that differ from their certificates as these say are no
    sign of a bent response.
    """
    names = [name for name in signal if name in reflectance]
    if len(names) < 3:
        return not_checked(
            limits, "fit-curvature", f"{many(len(names), 'panel')}; three are needed"
        )
    nothing = {name: np.zeros(1) for name in names}
    effects, errors = squared_term(
        *(
            np.stack(
                [np.broadcast_to(spectrum_of(of[name]), np.shape(signal[name])) for name in names]
            )
            for of in (signal, reflectance, uncertainty or nothing)
        )
    )
    value, error = median(effects), median(errors)
    if not math.isfinite(value):
        return not_checked(limits, "fit-curvature", "no band is measured on three panels")
    says = f"a squared term moves the line by {100 * value:+.2f} % at mid range"
    if uncertainty is not None:
        says += f" (standard uncertainty from the panels {100 * error:.2f} %)"
    counts = abs(value) > CONSISTENCY_SIGMAS * error
    return row(limits, "fit-curvature", abs(value), says, counts=counts)


def check_panel(
    name: str,
    predicted: ArrayLike | None,
    certified: ArrayLike | None,
    expanded_uncertainty: ArrayLike | None = None,
    *,
    limits: Limits = LIMITS,
) -> Check:
    """A check panel: median over bands of predicted less certified reflectance, magnitude.

    Parameters
    ----------
    name : the panel's; one row a check panel, or "" and None where there is none
    predicted, certified : (band,) [1]
    expanded_uncertainty : (band,) [1], k = 2, of the difference: certificate and prediction

    Notes
    -----
    Caution above the larger of 0.02 and 5 % of the certified value, so that neither a dark nor a
    bright panel is held to less than the trade reaches; and, whatever these say, above the
    median expanded uncertainty: then the stated uncertainty is not true. A limit that the config
    moves stands alone.
    """
    if predicted is None or certified is None:
        return not_checked(
            limits,
            "check-panel",
            "no panel is kept for checking",
            subject=name,
            do='Give one panel use = "check"',
        )
    off = spectrum_of(predicted) - spectrum_of(certified)
    size = median(np.abs(off))
    if not math.isfinite(size):
        return not_checked(
            limits, "check-panel", f"{name} has no band that is calibrated", subject=name
        )
    allowed = _allowed("check-panel", certified, limits)
    says = (
        f"{name} is predicted {size:.4f} from its certificate (median {median(off):+.4f}, "
        f"certified {median(certified):.3f})"
    )
    stated = median(expanded_uncertainty)
    if math.isfinite(stated):
        allowed = min(allowed, stated)
        says += f", its expanded uncertainty is {stated:.4f}"
    return row(limits, "check-panel", size, says, subject=name, caution=allowed)


def leave_one_out(predicted: ByPanel, certified: ByPanel, *, limits: Limits = LIMITS) -> Check:
    """Each fit panel predicted by the others; by panel, the worst against its own limit shown.

    `predicted` is empty with fewer than three fit panels.
    """
    size = {
        name: median(np.abs(spectrum_of(one) - spectrum_of(certified[name])))
        for name, one in predicted.items()
    }
    allowed = {name: _allowed("leave-one-out", certified[name], limits) for name in size}
    found = worst({name: size[name] / allowed[name] for name in size})
    if found is None or len(size) < 3:
        return not_checked(limits, "leave-one-out", "fewer than three fit panels")
    name = found[0]
    return row(
        limits,
        "leave-one-out",
        size[name],
        f"{name} is {size[name]:.4f} in reflectance from what the other panels predict",
        subject=name,
        caution=allowed[name],
    )


def _allowed(check: str, certified: ArrayLike, limits: Limits) -> float:
    absolute = LIMITS[check].caution
    assert isinstance(absolute, int | float)
    relative = CHECK_PANEL_RELATIVE * median(certified)
    return max(float(absolute), relative) if math.isfinite(relative) else float(absolute)
