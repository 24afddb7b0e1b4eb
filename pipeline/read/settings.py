"""Capture settings that a file states, in its own words."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path

from pipeline.config.sensor import HeaderKey, Sensor, TimeKey
from pipeline.errors import InputError
from pipeline.read.headers import Words, text_of
from pipeline.read.numbers import NUMBER
from pipeline.read.times import seconds_of, utc_seconds, zone_seconds
from pipeline.records import Settings

Convert = Callable[[float], float]


def _same(value: float) -> float:
    return value


def _from_s(value: float) -> float:
    return value * 1e3


def _from_us(value: float) -> float:
    return value * 1e-3


def _from_hz(value: float) -> float:
    """The period of a rate."""
    return 1e3 / value if value else math.inf


def _from_khz(value: float) -> float:
    return _from_hz(value * 1e3)


def _from_k(value: float) -> float:
    return value - 273.15


# Units by the names that headers give them, each with what makes it the first one's. A degree
# sign has become a question mark by the time they are looked at.
_DURATION: dict[str, Convert] = {
    **dict.fromkeys(("ms", "msec", "milliseconds"), _same),
    **dict.fromkeys(("s", "sec", "seconds"), _from_s),
    **dict.fromkeys(("us", "usec", "microseconds"), _from_us),
}
_PERIOD = {**_DURATION, **dict.fromkeys(("hz", "fps", "1/s"), _from_hz), "khz": _from_khz}
_CELSIUS = ("degc", "c", "deg c", "?c", "? c", "celsius", "degrees celsius")
_TEMPERATURE: dict[str, Convert] = {
    **dict.fromkeys(_CELSIUS, _same),
    **dict.fromkeys(("k", "kelvin"), _from_k),
}
_GAIN = dict.fromkeys(("", "db", "x"), _same)


def settings_of(words: Words, sensor: Sensor, path: Path) -> Settings:
    """The capture settings of a file: what it states, else what the config gives.

    Parameters
    ----------
    sensor : its `header_keys` are compared without regard to case, and their units are those of
        numbers that name none; its `settings` stand in where the file has nothing

    Returns
    -------
    Settings, NaN where nobody states one.

    Raises
    ------
    InputError
        Naming the key: a value that is no number in a unit of its kind, no time, or out of range.
    """
    keys, given = sensor.header_keys, sensor.settings
    return Settings(
        exposure_ms=_or(
            _number(words, keys.exposure_time, _DURATION, path, positive=True),
            given.exposure_time,
        ),
        frame_period_ms=_or(
            _number(words, keys.frame_period, _PERIOD, path, positive=True), given.frame_period
        ),
        gain=_or(_number(words, keys.gain, _GAIN, path), given.gain),
        sensor_temperature_c=_or(
            _number(words, keys.sensor_temperature, _TEMPERATURE, path), given.sensor_temperature
        ),
        start_s=_start_s(words, keys.acquisition_start, path),
        serial_number=_text(words, keys.serial_number, path) or given.serial_number or "",
    )


def _or(stated: float, given: float | None) -> float:
    return given if given is not None and math.isnan(stated) else stated


def _text(words: Words, key: HeaderKey, path: Path) -> str:
    return text_of(words, key.key.strip().lower(), path, "")


def _number(
    words: Words,
    key: HeaderKey,
    units: Mapping[str, Convert],
    path: Path,
    *,
    positive: bool = False,
) -> float:
    """A number in the first of `units`; a number that names none is in the key's own unit."""
    text = _text(words, key, path)
    if not text:
        return math.nan
    match = NUMBER.fullmatch(text)
    named = " ".join(match[2].lower().split()) if match else ""
    own = str(getattr(key, "unit", "")).lower()
    if not match or (named or own) not in units:
        known = ", ".join(name for name in units if name and "?" not in name)
        raise InputError(f"{key.key!r} is {text[:40]!r}; expected a number ({known})", where=path)
    if named and "unit" in key.model_fields_set and units[named] is not units[own]:
        raise InputError(
            f"{key.key!r} is {text[:40]!r}, and the config gives it the unit {own!r}",
            where=path,
            do="Take the unit out of sensor.header_keys",
        )
    value = units[named or own](float(match[1]))
    if not math.isfinite(value) or (positive and value <= 0):
        raise InputError(f"{key.key!r} is {text[:40]!r}; out of range", where=path)
    return value


def _start_s(words: Words, key: TimeKey, path: Path) -> float:
    text = _text(words, key, path)
    if not text:
        return math.nan
    try:
        if key.unit == "iso":
            return utc_seconds(text, zone_seconds(key.zone))
        match = NUMBER.fullmatch(text)
        if not match or match[2]:
            raise ValueError("expected a number")
        return seconds_of(float(match[1]), key.unit)
    except (ValueError, OverflowError) as error:
        raise InputError(f"{key.key!r} is {text[:40]!r}: {error}", where=path) from None
