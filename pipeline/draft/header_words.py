"""Which header key holds which capture setting, and in which unit.

Keys are told by the stems of their names, units by what the key or the value says, else by what
is possible: an exposure is no longer than its period, and a period is that of the line times.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.read.headers import Words
from pipeline.read.numbers import NUMBER
from pipeline.read.times import Form, numeric_forms, seconds_of, utc_seconds

#: Stems by which a key is known, the surest first (common practice, no source).
_STEMS: dict[str, tuple[str, ...]] = {
    "exposure time": ("exposure", "integration", "shutter", "tint"),
    "frame period": (
        *("frame period", "line period", "frame time", "line time", "frame interval"),
        *("line interval", "frame rate", "line rate", "scan rate", "fps", "period"),
    ),
    "gain": ("gain",),
    "sensor temperature": ("sensor temp", "detector temp", "fpa temp", "chip temp", "temperature"),
    "acquisition start": (
        *("acquisition start", "start time", "time start", "start", "acquisition time"),
        *("timestamp", "time stamp", "utc", "acquired", "recorded", "datetime", "date"),
    ),
    "serial number": ("serial", "camera id", "sensor id"),
}
#: Units by the way that keys and values write them, to the config's own.
_WRITTEN = {
    **dict.fromkeys(("ms", "msec", "millisecond", "milliseconds"), "ms"),
    **dict.fromkeys(("us", "usec", "microsecond", "microseconds", "\u00b5s", "\u03bcs"), "us"),
    **dict.fromkeys(("s", "sec", "second", "seconds"), "s"),
    **dict.fromkeys(("hz", "fps"), "Hz"),
    **dict.fromkeys(("k", "kelvin"), "K"),
    **dict.fromkeys(("c", "degc", "celsius"), "degC"),
}
_TO_MS: dict[str, Callable[[float], float]] = {
    "ms": lambda v: v,
    "us": lambda v: v / 1e3,
    "s": lambda v: v * 1e3,
    "Hz": lambda v: 1e3 / v if v else math.inf,
}
#: What a line-scan camera's lines may take [ms] (common practice, no source).
_POSSIBLE_MS = (0.1, 500.0)
#: How near a period must be to the step of the line times.
_SAME_STEP = 0.02
#: An exposure is a fair part of its period: more than this.
_LEAST_SHARE = 0.02


@dataclass(frozen=True)
class Key:
    """A setting's key in the header."""

    key: str
    unit: str = ""  # the config's default where empty; of a start its form, once it is known
    why: str = ""


@dataclass(frozen=True)
class HeaderWords:
    """What the headers' keys mean."""

    keys: Mapping[str, Key] = field(default_factory=dict)  # by setting
    undecided: tuple[str, ...] = ()


def header_words(
    headers: Sequence[Words], step_ms: float, latest_s: float = math.inf
) -> HeaderWords:
    """Find the settings in headers of one kind.

    Parameters
    ----------
    headers : of all captures
    step_ms : median step of the line times; NaN where there are none
    latest_s : no flight is later than this, since 1970
    """
    common = [w for w in headers if w]
    if not common:
        return HeaderWords()
    keys: dict[str, Key] = {}
    undecided: list[str] = []
    for setting in ("gain", "serial number"):
        key = _named(setting, common, [k.key for k in keys.values()])
        if key and (setting != "gain" or _numbers(common, key)):
            keys[setting] = Key(key, why="by its name")
    _find_durations(common, step_ms, keys, undecided)
    _find_temperature(common, keys)
    _find_start(common, keys, latest_s)
    return HeaderWords(keys, tuple(undecided))


def _named(setting: str, headers: Sequence[Words], taken: Iterable[str]) -> str:
    """The surest key that all headers have and that is named like a setting; empty for none."""
    return next(_all_named(setting, headers, taken), "")


def _all_named(setting: str, headers: Sequence[Words], taken: Iterable[str]) -> Iterator[str]:
    others = set(taken)
    shared = [k for k in headers[0] if all(k in w for w in headers) and k not in others]
    for stem in _STEMS[setting]:
        yield from sorted((k for k in shared if stem in _plain(k)), key=len)


def _plain(key: str) -> str:
    return " ".join(re.sub(r"[^a-z0-9]+", " ", key.lower()).split())


def _numbers(headers: Sequence[Words], key: str) -> list[float]:
    """The key's numbers; empty unless all headers have one."""
    matches = [NUMBER.fullmatch(str(w[key]).strip()) for w in headers]
    return [float(m[1]) for m in matches if m] if all(matches) else []


def _stated_unit(headers: Sequence[Words], key: str) -> tuple[str, bool]:
    """The unit that value or key names, and whether it is the value that does."""
    match = NUMBER.fullmatch(str(headers[0][key]).strip())
    if match and match[2]:
        return _WRITTEN.get(match[2].lower().strip(), ""), True
    for word in reversed(re.split(r"[^a-z\u00b5\u03bc]+", key.lower())):
        if word in _WRITTEN:
            return _WRITTEN[word], False
    return ("Hz", False) if "rate" in key.lower() else ("", False)


def _find_durations(
    headers: Sequence[Words], step_ms: float, keys: dict[str, Key], undecided: list[str]
) -> None:
    """Exposure and frame period together: each tells of the other's unit."""
    possible: dict[str, list[tuple[str, float]]] = {}
    said: dict[str, bool] = {}
    names: dict[str, str] = {}
    for setting in ("frame period", "exposure time"):
        key = _named(setting, headers, [*(k.key for k in keys.values()), *names.values()])
        values = _numbers(headers, key) if key else []
        if not values:
            continue
        unit, by_value = _stated_unit(headers, key)
        units = [unit] if unit in _TO_MS else ["ms", "us", "s"]
        if setting == "frame period" and not unit:
            units.append("Hz")
        ways = [(u, _TO_MS[u](sorted(values)[len(values) // 2])) for u in units]
        names[setting], said[setting] = key, by_value
        possible[setting] = [
            (u, ms) for u, ms in ways if unit or _POSSIBLE_MS[0] <= ms <= _POSSIBLE_MS[1]
        ]
    if math.isfinite(step_ms) and "frame period" in possible:
        near = [w for w in possible["frame period"] if abs(w[1] / step_ms - 1) < _SAME_STEP]
        possible["frame period"] = near or possible["frame period"]
    pairs = _pairs(possible, step_ms)
    for setting, key in names.items():
        units = list(dict.fromkeys(pair[setting] for pair in pairs if setting in pair))
        if not units:
            undecided.append(
                f'sensor.header_keys."{setting}": {key!r} fits in no unit; give it with its unit'
            )
        elif len(units) > 1 and setting == "frame period" and not math.isfinite(step_ms):
            undecided.append(
                f'sensor.header_keys."{setting}": {key!r} may be in {" or ".join(units)}'
            )
        else:
            # An exposure in another unit alters no reflectance: it is compared alone.
            unit = "ms" if "ms" in units else units[0]
            why = "its value names the unit" if said[setting] else "its unit by what is possible"
            keys[setting] = Key(key, "" if said[setting] else unit, why=why)


def _pairs(
    possible: Mapping[str, Sequence[tuple[str, float]]], step_ms: float
) -> list[dict[str, str]]:
    """Units of both settings that agree with each other."""
    exposures = possible.get("exposure time")
    periods = possible.get("frame period")
    if not exposures or not periods:
        alone = exposures or periods or ()
        name = "exposure time" if exposures else "frame period"
        most = step_ms if exposures and math.isfinite(step_ms) else math.inf
        return [{name: unit} for unit, ms in alone if ms <= most * (1 + _SAME_STEP)]
    return [
        {"exposure time": e, "frame period": p}
        for e, e_ms in exposures
        for p, p_ms in periods
        if _LEAST_SHARE * p_ms <= e_ms <= p_ms * (1 + _SAME_STEP)
    ]


def _find_temperature(headers: Sequence[Words], keys: dict[str, Key]) -> None:
    key = _named("sensor temperature", headers, [k.key for k in keys.values()])
    values = _numbers(headers, key) if key else []
    if not values:
        return
    unit, by_value = _stated_unit(headers, key)
    if unit not in ("K", "degC"):
        unit = "K" if min(values) > 150 else "degC"
    keys["sensor temperature"] = Key(key, "" if by_value else unit, why=f"{values[0]:g} can be")


def _find_start(headers: Sequence[Words], keys: dict[str, Key], latest_s: float) -> None:
    taken = [key.key for key in keys.values()]
    for key in _all_named("acquisition start", headers, taken):
        forms = time_forms((str(w[key]).strip() for w in headers), latest_s)
        if forms:
            keys["acquisition start"] = Key(key, why="a time in every header")
            return


def time_forms(texts: Iterable[str], latest_s: float = math.inf) -> list[Form]:
    """The forms in which all of some texts are times of a flight up to `latest_s`, since 1970."""
    found: list[Form] | None = None
    for text in texts:
        try:
            utc_seconds(text)
            forms: list[Form] = ["iso"]
        except ValueError:
            match = NUMBER.fullmatch(text.replace(",", "."))
            number = float(match[1]) if match and not match[2] else math.nan
            forms = [f for f in numeric_forms(number) if seconds_of(number, f) <= latest_s]
        found = forms if found is None else [f for f in found if f in forms]
        if not found:
            return []
    return found or []
