"""What all config models share: their strictness, and the types that TOML's values are held to."""

from __future__ import annotations

import datetime as dt
import hashlib
import math
import re
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, Strict

from pipeline.config.complaint import shown

#: A name that is safe as a file's everywhere.
NAME = r"^[A-Za-z0-9][A-Za-z0-9._-]{0,99}$"


def safe_name(name: str) -> str:
    """A folder's name as the name of a flight: itself where it is one, else unlike any other's.

    Other characters than letters, digits, `.`, `_` and `-` become `-`, and eight digits of the
    name's SHA-256 follow.
    """
    if re.fullmatch(NAME, name):
        return name
    digest = hashlib.sha256(name.encode("utf-8", "surrogateescape")).hexdigest()[:8]
    plain = re.sub(r"[^A-Za-z0-9._-]+", "-", name).strip("._-")[:80].rstrip("._-")
    return f"{plain}-{digest}" if plain else f"flight-{digest}"


class Model(BaseModel):
    """A table of which every key is known; frozen."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True
    )


def _listed(value: object) -> object:
    return [value] if isinstance(value, str) else value


def _half_open(value: object) -> object:
    if not (
        isinstance(value, list | tuple) and len(value) == 2 and all(type(v) is int for v in value)
    ):
        raise ValueError(
            f"expected two whole numbers [start, stop], the stop not included; got {shown(value)}"
        )
    if not 0 <= value[0] < value[1]:
        raise ValueError(f"expected 0 <= start < stop; got {shown(value)}")
    return tuple(value)


def _is_number(value: object) -> bool:
    if not isinstance(value, int | float) or isinstance(value, bool):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number beyond any float
        return False


def _finite(value: object) -> object:
    # Beyond any float a whole number is an error of the arithmetic, not of the type.
    if isinstance(value, int) and not isinstance(value, bool) and not _is_number(value):
        raise ValueError(f"expected a finite number; got {shown(value)}")
    return value


def _one_or_more(value: object) -> object:
    listed = value if isinstance(value, list | tuple) else [value]
    if value is not None and not (listed and all(map(_is_number, listed))):
        raise ValueError(f"expected a number, or a list of numbers; got {shown(value)}")
    return value


def _one_or_two(value: object) -> object:
    listed = value if isinstance(value, list | tuple) and len(value) == 2 else [value]
    if value is not None and not all(map(_is_number, listed)):
        raise ValueError(f"expected a finite number, or two as [low, high]; got {shown(value)}")
    return value


def _dated(value: object) -> object:
    # A bare number would be taken for seconds since 1970.
    if isinstance(value, int | float):
        raise ValueError(f"expected a date such as 2026-03-02; got {shown(value)}")
    return value


# TOML has types of its own: "4095" is text, and true is no number.
Number = Annotated[float, BeforeValidator(_finite), Strict()]
Count = Annotated[int, Strict()]
Switch = Annotated[bool, Strict()]
Date = Annotated[dt.date | None, BeforeValidator(_dated)]
Numbers = Annotated[float | tuple[float, ...] | None, BeforeValidator(_one_or_more)]
Patterns = Annotated[tuple[str, ...], BeforeValidator(_listed), Field(min_length=1)]
Bound = Annotated[float | tuple[float, float] | None, BeforeValidator(_one_or_two)]
Span = Annotated[tuple[int, int], BeforeValidator(_half_open)]
