"""Which wavelengths a cube's bands have: what the config says, else what the file says."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.config.sensor import Sensor
from pipeline.errors import ConfigError, InputError, ReflectoryError
from pipeline.read.headers import Words, text_of
from pipeline.read.numbers import NUMBER
from pipeline.records import Array

_NANOMETRES = {"nm", "nanometer", "nanometers", "nanometre", "nanometres"}
_MICROMETRES = {"um", "micrometer", "micrometers", "micrometre", "micrometres", "micron", "microns"}
_NO_UNIT = {"", "unknown", "none"}
#: From ultraviolet to far infrared; a wavelength outside is one in another unit.
_OPTICAL_NM = (100.0, 100_000.0)


@dataclass(frozen=True, eq=False)
class Bands:
    """The bands in order of their wavelengths."""

    wavelength_nm: Array  # (band,) strictly increasing
    fwhm_nm: Array  # (band,)
    order: NDArray[np.intp]  # (band,) places in the file, which sort its bands


def bands_of(words: Words, bands: int, sensor: Sensor, path: Path) -> Bands:
    """The wavelengths and widths of a file's bands.

    Parameters
    ----------
    words : `wavelength`, `fwhm` (a value a band) and `wavelength units` are looked at
    bands : number of bands in the file
    sensor : its `wavelength_nm` and `fwhm_nm`, in the file's band order, are a person's own word
        and hold whatever the file says

    Returns
    -------
    Bands. Where nobody gives widths, the local band spacing (central differences) stands in.

    Raises
    ------
    InputError
        The file's values are malformed or contradictory, or nobody gives wavelengths.
    ConfigError
        The config has another number of values than the file has bands, or not wavelengths.
    """
    centres = _given("sensor.wavelength_nm", sensor.wavelength_nm, bands, path)
    widths = _given("sensor.fwhm_nm", _each(sensor.fwhm_nm, bands), bands, path)
    if centres is not None:
        _require_optical(centres, "sensor.wavelength_nm", ConfigError)
    stated = _numbers(words, "wavelength", bands, path) if centres is None else None
    stated_widths = _numbers(words, "fwhm", bands, path) if widths is None else None
    if stated is not None or stated_widths is not None:
        scale = _nanometres_per_unit(words, path)
        if stated is not None:
            centres = stated * scale
            _require_optical(centres, path, InputError)
        if stated_widths is not None:
            widths = stated_widths * scale
    if centres is None:
        raise InputError(
            "the header gives no wavelengths", where=path, do="Give sensor.wavelength_nm"
        )
    if widths is not None and (widths >= centres).any():
        band = int(np.argmax(widths >= centres))
        raise InputError(
            f"a band at {centres[band]:g} nm has a fwhm of {widths[band]:g} nm", where=path
        )
    order = np.argsort(centres, kind="stable")
    centres = centres[order]
    repeated = centres[1:][np.diff(centres) == 0]
    if repeated.size:
        raise InputError(f"two bands have the wavelength {repeated[0]:g} nm", where=path)
    return Bands(centres, _spacing(centres, path) if widths is None else widths[order], order)


def _each(value: float | Sequence[float] | None, bands: int) -> Sequence[float] | None:
    """One width for all bands, or one a band, as one a band."""
    return [value] * bands if isinstance(value, int | float) else value


def _given(key: str, values: Sequence[float] | None, bands: int, path: Path) -> Array | None:
    """The config's values, proved to be one a band."""
    if values is None:
        return None
    array = np.asarray(values, dtype=np.float64)
    if array.shape != (bands,):
        raise ConfigError(f"{array.size} values, but {path} has {bands} bands", where=key)
    if not (np.isfinite(array) & (array > 0)).all():
        raise ConfigError("expected positive numbers only", where=key)
    return array


def _require_optical(centres: Array, where: Path | str, kind: type[ReflectoryError]) -> None:
    low, high = _OPTICAL_NM
    outside = centres[(centres < low) | (centres > high)]
    if outside.size:
        raise kind(
            f"a wavelength of {outside[0]:g} nm; expected {low:g} to {high:g} nm",
            where=where,
            do="Correct the unit",
        )


def _numbers(words: Words, key: str, bands: int, path: Path) -> Array | None:
    """The file's values, one a band; None where it has none."""
    value = words.get(key)
    if value is None or value in ("", [""]):
        return None
    texts = [value] if isinstance(value, str) else value
    if len(texts) > bands and texts[-1] == "":
        texts = texts[:-1]  # a comma after the last value
    if len(texts) != bands:
        raise InputError(f"{key!r} has {len(texts)} values for {bands} bands", where=path)
    for number, text in enumerate(texts, start=1):
        match = NUMBER.fullmatch(text)
        if not match or match[2] or not 0 < float(text) < math.inf:
            raise InputError(
                f"{key!r} of band {number} is {text[:40]!r}; expected a positive number", where=path
            )
    return np.array(texts, dtype=np.float64)


def _nanometres_per_unit(words: Words, path: Path) -> float:
    """The unit of the file's wavelengths and widths, by name or by what numbers are possible."""
    unit = text_of(words, "wavelength units", path, "").lower()
    if unit in _NANOMETRES:
        return 1.0
    if unit in _MICROMETRES:
        return 1000.0
    if unit not in _NO_UNIT:
        raise InputError(
            f"wavelength units are {unit[:40]!r}; expected nanometers or micrometers",
            where=path,
            do="Give sensor.wavelength_nm",
        )
    listed = words.get("wavelength", "")
    texts = [listed] if isinstance(listed, str) else listed
    values = [float(text) for text in texts if (m := NUMBER.fullmatch(text)) and not m[2]]
    if values and min(values) > 100:
        return 1.0
    if values and max(values) < 20:
        return 1000.0
    raise InputError(
        "the header gives no wavelength units, and its numbers do not tell",
        where=path,
        do="Give sensor.wavelength_nm",
    )


def _spacing(centres: Array, path: Path) -> Array:
    if centres.size < 2:
        raise InputError("a single band without fwhm", where=path, do="Give sensor.fwhm_nm")
    return np.asarray(np.gradient(centres), dtype=np.float64)
