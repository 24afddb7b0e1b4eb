"""Checks of the panels' certificates."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from pipeline.radiometry.checks.row import Limits, band_names, listed, many, not_checked, row
from pipeline.radiometry.limits import LIMITS, STEEP_CHANGE, STEEP_NM
from pipeline.records import Array, Certificate, Check

_DAYS_A_MONTH = 365.25 / 12


def certificate_cover(
    covered: Mapping[str, ArrayLike] | None,
    *,
    wavelength_nm: Array | None = None,
    limits: Limits = LIMITS,
) -> list[Check]:
    """Bands that no certificate covers and, in a row of their own, those that fewer do.

    `covered` is (band,) by fit panel, true where its certificate reaches.
    """
    if not covered or not np.size(next(iter(covered.values()))):
        return [not_checked(limits, "certificate-cover", "no certificate was read")]
    reach = {name: np.asarray(mask, bool) for name, mask in covered.items()}
    panels = np.sum(list(reach.values()), axis=0)
    bare = panels == 0
    count = int(bare.sum())
    says = f"the certificates cover all {bare.size} bands"
    if count:
        says = f"no certificate covers {many(count, 'band')} ({band_names(bare, wavelength_nm)})"
    rows = [row(limits, "certificate-cover", count, says, fail=float(bare.size))]
    fewer = ~bare & (panels < panels.max())
    if fewer.any():
        short = [name for name, mask in reach.items() if not mask[fewer].all()]
        left = int(panels[fewer].min())
        says = (
            f"{listed(short)} {'does' if len(short) == 1 else 'do'} not reach "
            f"{many(int(fewer.sum()), 'band')} ({band_names(fewer, wavelength_nm)}), which "
            f"{'are' if fewer.sum() > 1 else 'is'} fitted through {many(left, 'panel')}"
        )
        if left == 1:
            says += ", with the offset of the nearest bands"
        do = "Have the named panels measured over the camera's whole range; their bands are less "
        do += "certain, and say so"
        rows.append(
            row(limits, "certificate-cover", int(fewer.sum()), says, subject=short[0], do=do)
        )
    return rows


def certificate_plausible(
    certificates: Mapping[str, Certificate] | None,
    wavelength_nm: ArrayLike,
    *,
    limits: Limits = LIMITS,
) -> Check:
    """Certificates that no panel has: too steep, or without uncertainty.

    Parameters
    ----------
    certificates : by panel, as they were read
    wavelength_nm : (band,) [nm]; what lies more than `STEEP_NM` beyond the bands is not looked at
    """
    if not certificates:
        return not_checked(limits, "certificate-plausible", "no certificate was read")
    centre = np.asarray(wavelength_nm, np.float64)
    found = {name: _doubts(one, centre.min(), centre.max()) for name, one in certificates.items()}
    doubted = {name: what for name, what in found.items() if what}
    name = next(iter(doubted), "")
    says = f"nothing strange in {many(len(certificates), 'certificate')}"
    if doubted:
        says = f"the certificate of {name} {' and '.join(doubted[name])}"
        if len(doubted) > 1:
            says += f"; doubtful too: {listed([one for one in doubted if one != name])}"
    return row(limits, "certificate-plausible", len(doubted), says, subject=name)


def _doubts(one: Certificate, first_nm: float, last_nm: float) -> list[str]:
    """What is strange about a certificate over the bands."""
    nm, value = one.wavelength_nm, one.reflectance
    near = (nm >= first_nm - STEEP_NM) & (nm <= last_nm + STEEP_NM)
    if not near.any():
        return []
    doubts = []
    ends = np.minimum(nm[near] + STEEP_NM, nm[-1])
    change = np.interp(ends, nm, value) / value[near] - 1
    # A rise of half and a fall of half are alike steep where the reflectance begins.
    worst = int(np.abs(change).argmax())
    if abs(change[worst]) > STEEP_CHANGE:
        doubts.append(
            f"changes by {100 * change[worst]:+.0f} % from {nm[near][worst]:.0f} to "
            f"{ends[worst]:.0f} nm"
        )
    if (one.expanded_uncertainty[near] == 0).any():
        doubts.append("has an uncertainty of zero")
    return doubts


def certificate_age(
    measured: Mapping[str, dt.date | None], flown: dt.date | None, *, limits: Limits = LIMITS
) -> Check:
    """Months since the oldest certificate was measured; `measured` by panel, None if not said.

    A date as long after the flight as would be too old before it is no date of its certificate,
    and is shown instead.
    """
    dated = {name: day for name, day in measured.items() if day is not None}
    if flown is None or not dated:
        return not_checked(
            limits,
            "certificate-age",
            "the day of the flight is not known"
            if flown is None
            else "no panel says when its certificate was measured",
            do="Give measured in [[panel]]",
        )
    ages = {name: (flown - day).days / _DAYS_A_MONTH for name, day in dated.items()}
    youngest = min(ages, key=lambda one: ages[one])
    limit = limits["certificate-age"].caution
    ahead = isinstance(limit, int | float) and ages[youngest] < -limit
    name = youngest if ahead else max(ages, key=lambda one: ages[one])
    months = ages[name]
    says = f"the certificate of {name} was measured {months:.1f} months before the flight"
    if months < 0:
        says = f"the certificate of {name} was measured {-months:.1f} months after the flight"
    if undated := [one for one in measured if one not in dated]:
        says += f"; no date for {listed(undated)}"
    return row(
        limits,
        "certificate-age",
        months,
        says,
        subject=name,
        do="Correct the date in panel.measured" if ahead else "",
        at_least="caution" if ahead else "pass",
    )
