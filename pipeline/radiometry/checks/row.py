"""How every check's row is made, and how its sentence names bands and shares."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.radiometry.limits import LIMITS, CheckLimits, Limit, verdict
from pipeline.records import Array, Check, Verdict

Limits = Mapping[str, CheckLimits]


def row(
    limits: Limits,
    name: str,
    value: float | None,
    says: str,
    *,
    subject: str = "",
    do: str = "",
    counts: bool = True,
    at_least: Verdict = "pass",
    caution: Limit | None = None,
    fail: Limit | None = None,
    costs_part: bool = False,
) -> Check:
    """A row of the checks table.

    Parameters
    ----------
    limits, name : the table and the check's name in it
    value : [the check's unit]; None or not finite gives `not checked`
    says : one sentence, without its full stop
    do : what to do, without its full stop; the table's advice where empty; none on a pass
    counts : False passes whatever the value: it is not significant, or corrected already
    at_least : verdict that holds even where the value alone is better
    caution, fail : limits that follow from the data, where the config has not moved them
    costs_part : a fail only costs bands or cubes that are flagged and named
    """
    table = limits[name]
    if caution is not None and table.caution == LIMITS[name].caution:
        table = replace(table, caution=caution)
    if fail is not None and table.fail == LIMITS[name].fail:
        table = replace(table, fail=fail)
    if value is None or not math.isfinite(value):
        return not_checked(limits, name, f"{says}: no finite value", subject=subject)
    value = float(value)
    decided = verdict(table, value) if counts else "pass"
    if _RANK[at_least] > _RANK[decided]:
        decided = at_least
    if table.moved:
        says += " (limit moved by config)"
    return Check(
        check=name,
        subject=subject,
        value=value,
        unit=table.unit,
        caution=table.caution,
        fail=table.fail,
        verdict=decided,
        says=_sentence(says, subject),
        do="" if decided == "pass" else _sentence(do or table.do),
        costs_part=costs_part and decided == "fail",
    )


def not_checked(
    limits: Limits, name: str, missing: str, *, subject: str = "", do: str = ""
) -> Check:
    """The row of a check that was not possible; `missing` is a sentence that says what was."""
    table = limits[name]
    return Check(
        check=name,
        subject=subject,
        value=None,
        unit=table.unit,
        caution=table.caution,
        fail=table.fail,
        verdict="not checked",
        says=_sentence(missing, subject),
        do=_sentence(do) if do else "",
    )


_RANK: dict[Verdict, int] = {"not checked": 0, "pass": 1, "caution": 2, "fail": 3}


def _sentence(text: str, subject: str = "") -> str:
    """Text with a capital and a full stop; a subject that begins it is a name, and stays."""
    text = text.strip()
    if not (subject and text.startswith(subject)):
        text = text[:1].upper() + text[1:]
    return text + ("" if text.endswith(".") else ".")


def percent(share: float) -> str:
    """A share as a percent of three significant digits."""
    return f"{100 * share:.3g} %"


def many(count: int, thing: str, things: str = "") -> str:
    """The number and the word in its singular or plural."""
    return f"{count} {thing}" if count == 1 else f"{count} {things or thing + 's'}"


def listed(names: Sequence[str], most: int = 5) -> str:
    """Names in a row, the rest counted."""
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"


def band_names(bands: ArrayLike, wavelength_nm: Array | None, most: int = 4) -> str:
    """Runs of bands by wavelength, or by number from 0 where there is none.

    `bands` is a (band,) mask; empty text when none is set.
    """
    index = np.flatnonzero(np.asarray(bands, bool))
    if not index.size:
        return ""
    runs = np.split(index, np.flatnonzero(np.diff(index) > 1) + 1)

    def at(band: int) -> str:
        return f"{band}" if wavelength_nm is None else f"{wavelength_nm[band]:.0f}"

    texts = [at(r[0]) if len(r) == 1 else f"{at(r[0])} to {at(r[-1])}" for r in runs]
    text = listed(texts, most)
    return f"{text} nm" if wavelength_nm is not None else f"band {text}"


def finite(values: ArrayLike | None) -> Array:
    """The finite values, flat, as float64; empty for None."""
    if values is None:
        return np.empty(0)
    flat = np.asarray(values, np.float64).ravel()
    return flat[np.isfinite(flat)]


def median(values: ArrayLike | None) -> float:
    """Median of the finite values; NaN where there are none."""
    good = finite(values)
    return float(np.median(good)) if good.size else math.nan


def worst(values: Mapping[str, float]) -> tuple[str, float] | None:
    """Name and value of the largest finite magnitude; None where there is none."""
    good = {name: value for name, value in values.items() if math.isfinite(value)}
    return max(good.items(), key=lambda item: abs(item[1])) if good else None


def worst_stretch(values: ArrayLike) -> tuple[float, NDArray[np.bool_]]:
    """Largest root mean square over neighbouring bands, and the (band,) mask of where.

    A stretch is an eighth of the bands that are finite, three at least or all there are; NaN and
    an empty mask with none.
    """
    each = np.asarray(values, np.float64)
    index = np.flatnonzero(np.isfinite(each))
    where = np.zeros(each.size, np.bool_)
    if not index.size:
        return math.nan, where
    length = min(max(3, index.size // 8), index.size)
    squares = np.convolve(each[index] ** 2, np.ones(length) / length, mode="valid")
    first = int(squares.argmax())
    where[index[first : first + length]] = True
    return math.sqrt(float(squares[first])), where
