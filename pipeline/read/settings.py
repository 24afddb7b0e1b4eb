"""Capture settings that a file states."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

from pipeline.config.flight import HeaderKeys
from pipeline.errors import InputError
from pipeline.read.headers import Words, text_of
from pipeline.read.numbers import NUMBER
from pipeline.read.times import utc_seconds
from pipeline.records import Settings

_MILLISECONDS = {"": 1.0, "ms": 1.0, "msec": 1.0, "milliseconds": 1.0, "s": 1e3, "us": 1e-3}
# A degree sign has become a question mark by the time units are looked at.
_CELSIUS = dict.fromkeys(("", "c", "degc", "deg c", "?c", "? c", "celsius", "degrees celsius"), 1.0)
_GAIN = {"": 1.0, "db": 1.0, "x": 1.0}


def settings_of(words: Words, keys: HeaderKeys, path: Path) -> Settings:
    """The capture settings that a file states; NaN where their key is absent or empty.

    Parameters
    ----------
    keys : the file's keys of the settings, compared without regard to case

    Raises InputError naming the key: a value that is no number in a unit of its kind, no time,
    or out of range.
    """

    def number(key: str, units: Mapping[str, float], *, positive: bool = False) -> float:
        text = text_of(words, key.strip().lower(), path, "")
        if not text:
            return math.nan
        match = NUMBER.fullmatch(text)
        unit = " ".join(match[2].lower().split()) if match else ""
        if not match or unit not in units:
            known = ", ".join(name for name in units if name and "?" not in name)
            raise InputError(f"{key!r} is {text[:40]!r}; expected a number ({known})", where=path)
        value = float(match[1]) * units[unit]
        if not math.isfinite(value) or (positive and value <= 0):
            raise InputError(f"{key!r} is {text[:40]!r}; out of range", where=path)
        return value

    start = text_of(words, keys.acquisition_start.strip().lower(), path, "")
    try:
        start_s = utc_seconds(start) if start else math.nan
    except (ValueError, OverflowError) as error:
        raise InputError(
            f"{keys.acquisition_start!r} is {start[:40]!r}: {error}", where=path
        ) from None
    return Settings(
        exposure_ms=number(keys.exposure_time, _MILLISECONDS, positive=True),
        frame_period_ms=number(keys.frame_period, _MILLISECONDS, positive=True),
        gain=number(keys.gain, _GAIN),
        sensor_temperature_c=number(keys.sensor_temperature, _CELSIUS),
        start_s=start_s,
    )
