"""Headers of raw cubes: what a capture is, before a byte of it is read."""

from __future__ import annotations

import math
import os
import re
import tempfile
import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol, cast

import numpy as np
from spectral.io import envi

from pipeline.errors import ConfigError, InputError, ReflectoryError
from pipeline.read.data_files import capture_name, find_data_file
from pipeline.read.times import utc_seconds
from pipeline.records import Array, Capture, Interleave, Settings

#: numpy's type of each `data type` code of the header, without byte order.
_DATA_TYPES = {"1": "u1", "2": "i2", "3": "i4", "4": "f4", "12": "u2", "13": "u4"}
_NANOMETRES = {"nm", "nanometer", "nanometers", "nanometre", "nanometres"}
_MICROMETRES = {"um", "micrometer", "micrometers", "micrometre", "micrometres", "micron", "microns"}
_NO_UNIT = {"", "unknown", "none"}
#: From ultraviolet to far infrared; a wavelength outside is one in another unit.
_OPTICAL_NM = (100.0, 100_000.0)

# A header holds a few numbers a band; far beyond that it is something else.
_HEADER_BYTES = 4 << 20
_HEADER_LINES = 20_000

# Possessive, for a long text would cost the square of its length in backtracking.
_NUMBER = re.compile(
    r"([+-]?(?:[0-9]++\.?[0-9]*+|\.[0-9]++)(?:[eE][+-]?[0-9]{1,4})?)\s*+(.*)", re.S
)
_MILLISECONDS = {"": 1.0, "ms": 1.0, "msec": 1.0, "milliseconds": 1.0, "s": 1e3, "us": 1e-3}
# A degree sign has become a question mark by the time units are looked at.
_CELSIUS = dict.fromkeys(("", "c", "degc", "deg c", "?c", "? c", "celsius", "degrees celsius"), 1.0)
_GAIN = {"": 1.0, "db": 1.0, "x": 1.0}

_Table = Mapping[str, str | list[str]]


class HeaderNames(Protocol):
    """Header keys that hold the capture settings; `config.HeaderKeys` is one."""

    @property
    def exposure_time(self) -> str: ...
    @property
    def frame_period(self) -> str: ...
    @property
    def gain(self) -> str: ...
    @property
    def sensor_temperature(self) -> str: ...
    @property
    def acquisition_start(self) -> str: ...


def read_header(
    path: Path,
    *,
    keys: HeaderNames,
    wavelength_nm: Sequence[float] | None = None,
    fwhm_nm: float | Sequence[float] | None = None,
) -> Capture:
    """Describe a raw cube from its header.

    Parameters
    ----------
    path : the header, `<stem>.hdr` or `<data file>.hdr`
    keys : header keys of the capture settings, compared without regard to case
    wavelength_nm : (band,) [nm] in the file's band order; used where the header has none
    fwhm_nm : (band,) or one for all bands [nm]; used where the header has none

    Returns
    -------
    Capture
        Bands sorted by wavelength; `order` sorts the file's bands. A missing `byte order` is
        little-endian and a missing `header offset` 0, as GDAL takes them. Where neither header
        nor caller gives band widths, the local band spacing (central differences) stands in.
        Settings are NaN where their key is absent or empty. The size on disk is not judged
        here: see `require_whole`.

    Raises
    ------
    InputError
        The header or its data file is missing, unreadable, contradictory or not supported.
    ConfigError
        `wavelength_nm` or `fwhm_nm` has another number of values than the header has bands.
    """
    path = Path(path)
    table = _parse(path)
    lines, bands, samples = (_count(table, key, path) for key in ("lines", "bands", "samples"))
    offset = _count(table, "header offset", path, least=0, default="0")
    _refuse_frame_offsets(table, path)
    dtype = _data_type(table, path)
    interleave = _text(table, "interleave", path).lower()
    if interleave not in ("bil", "bip", "bsq"):
        raise InputError(f"interleave is {interleave!r}; expected bil, bip or bsq", where=path)
    centres, widths = _spectrum(table, bands, path, wavelength_nm, fwhm_nm)
    order = np.argsort(centres, kind="stable")
    centres = centres[order]
    repeated = centres[1:][np.diff(centres) == 0]
    if repeated.size:
        raise InputError(f"two bands have the wavelength {repeated[0]:g} nm", where=path)
    return Capture(
        name=capture_name(path),
        header=path,
        data=find_data_file(path, offset + lines * bands * samples * dtype.itemsize),
        lines=lines,
        bands=bands,
        samples=samples,
        interleave=cast(Interleave, interleave),
        dtype=dtype,
        offset_bytes=offset,
        wavelength_nm=centres,
        fwhm_nm=_spacing(centres, path) if widths is None else widths[order],
        order=order,
        settings=_settings(table, keys, path),
    )


def bytes_missing(capture: Capture) -> int:
    """Bytes that the header claims less those on disk; negative when the file is too long."""
    try:
        return capture.claimed_bytes - capture.data.stat().st_size
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=capture.data) from None


def require_whole(capture: Capture) -> None:
    """InputError unless the data file has exactly the bytes that its header claims."""
    require_size(capture, capture.claimed_bytes - bytes_missing(capture))


def require_size(capture: Capture, size: int) -> None:
    """InputError with both sizes unless `size` [bytes] is the one that the header claims."""
    claimed = capture.claimed_bytes
    if size == claimed:
        return
    kind, do = (
        ("too short", "Copy the file again from the recorder")
        if size < claimed
        else ("too long", "The header does not describe this file")
    )
    raise InputError(
        f"{kind}: {size} bytes on disk, {claimed} claimed by {capture.header.name}",
        where=capture.data,
        do=do,
    )


def _parse(path: Path) -> _Table:
    """Key-value table of a header, keys in lower case."""
    try:
        # A pipe or device would block or never end.
        if not path.is_file():
            raise InputError("no such header file", where=path)
        with path.open("rb") as file:
            raw = file.read(_HEADER_BYTES + 1)
    except (OSError, ValueError) as error:
        raise InputError(f"cannot be read: {error}", where=path) from None
    if len(raw) > _HEADER_BYTES or raw.count(b"\n") + raw.count(b"\r") > _HEADER_LINES:
        raise InputError(
            f"too large for a header: more than {_HEADER_BYTES} bytes or {_HEADER_LINES} lines",
            where=path,
        )
    if b"\0" in raw:
        raise InputError("not a text header: it holds zero bytes", where=path)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    # The parser opens its file in the locale's encoding, so it is handed plain ASCII.
    plain = text.replace("\u00b5", "u").replace("\u03bc", "u").encode("ascii", "replace")
    try:
        with tempfile.TemporaryFile() as copy, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            copy.write(plain)
            copy.flush()
            copy.seek(0)
            table = envi.read_envi_header(os.dup(copy.fileno()))
    except envi.FileNotAnEnviHeader:
        raise InputError(
            "not a header: its first line does not begin with ENVI", where=path
        ) from None
    except envi.EnviException:
        raise InputError("a list in the header is not closed by a brace", where=path) from None
    except OSError as error:
        raise InputError(f"cannot be parsed: {error}", where=path) from None
    return {key.lower(): value for key, value in table.items()}


def _text(table: _Table, key: str, path: Path, default: str | None = None) -> str:
    """A single value; a list of one counts as one."""
    value = table.get(key, default)
    if value is None:
        raise InputError(f"the header has no {key!r}", where=path)
    if isinstance(value, list):
        if len(value) != 1:
            raise InputError(f"{key!r} has {len(value)} values; expected one", where=path)
        value = value[0]
    return value.strip()


def _count(table: _Table, key: str, path: Path, least: int = 1, default: str | None = None) -> int:
    text = _text(table, key, path, default)
    if not re.fullmatch("[0-9]{1,18}", text) or int(text) < least:
        raise InputError(
            f"{key!r} is {text[:40]!r}; expected a whole number from {least}", where=path
        )
    return int(text)


def _data_type(table: _Table, path: Path) -> np.dtype[Any]:
    code = _text(table, "data type", path)
    if code not in _DATA_TYPES:
        raise InputError(
            f"data type {code[:40]!r} is not supported; expected {', '.join(_DATA_TYPES)}",
            where=path,
        )
    byte_order = _text(table, "byte order", path, "0")
    if byte_order not in ("0", "1"):
        raise InputError(
            f"byte order is {byte_order[:40]!r}; expected 0 (little-endian) or 1", where=path
        )
    return np.dtype("<>"[int(byte_order)] + _DATA_TYPES[code])


def _refuse_frame_offsets(table: _Table, path: Path) -> None:
    for key in ("major frame offsets", "minor frame offsets"):
        value = table.get(key, "0")
        if any(text.strip() != "0" for text in ([value] if isinstance(value, str) else value)):
            raise InputError(f"{key!r} other than 0 are not supported", where=path)


def _spectrum(
    table: _Table,
    bands: int,
    path: Path,
    wavelength_nm: Sequence[float] | None,
    fwhm_nm: float | Sequence[float] | None,
) -> tuple[Array, Array | None]:
    """Centres and widths [nm] in the file's band order; no widths when nobody gives them."""
    given = _given("sensor.wavelength_nm", wavelength_nm, bands, path)
    centres = _numbers(table, "wavelength", bands, path)
    widths = _numbers(table, "fwhm", bands, path)
    if centres is not None or widths is not None:
        scale = _nanometres_per_unit(table, centres, path)
        centres = None if centres is None else _optical(centres * scale, path, InputError)
        widths = None if widths is None else widths * scale
    if given is not None:
        _optical(given, "sensor.wavelength_nm", ConfigError)
    if centres is None:
        centres = given
    if centres is None:
        raise InputError(
            "the header gives no wavelengths", where=path, do="Give sensor.wavelength_nm"
        )
    if widths is None and fwhm_nm is not None:
        listed = [fwhm_nm] * bands if isinstance(fwhm_nm, int | float) else fwhm_nm
        widths = _given("sensor.fwhm_nm", listed, bands, path)
    if widths is not None and (widths >= centres).any():
        band = int(np.argmax(widths >= centres))
        raise InputError(
            f"a band at {centres[band]:g} nm has a fwhm of {widths[band]:g} nm", where=path
        )
    return centres, widths


def _optical(centres: Array, where: Path | str, kind: type[ReflectoryError]) -> Array:
    low, high = _OPTICAL_NM
    outside = centres[(centres < low) | (centres > high)]
    if outside.size:
        raise kind(
            f"a wavelength of {outside[0]:g} nm; expected {low:g} to {high:g} nm",
            where=where,
            do="Correct the unit",
        )
    return centres


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


def _numbers(table: _Table, key: str, bands: int, path: Path) -> Array | None:
    value = table.get(key)
    if value is None or value in ("", [""]):
        return None
    texts = [value] if isinstance(value, str) else value
    if len(texts) > bands and texts[-1] == "":
        texts = texts[:-1]  # a comma after the last value
    if len(texts) != bands:
        raise InputError(f"{key!r} has {len(texts)} values for {bands} bands", where=path)
    for number, text in enumerate(texts, start=1):
        match = _NUMBER.fullmatch(text)
        if not match or match[2] or not 0 < float(text) < math.inf:
            raise InputError(
                f"{key!r} of band {number} is {text[:40]!r}; expected a positive number", where=path
            )
    return np.array(texts, dtype=np.float64)


def _nanometres_per_unit(table: _Table, centres: Array | None, path: Path) -> float:
    unit = _text(table, "wavelength units", path, "").lower()
    if unit in _NANOMETRES:
        return 1.0
    if unit in _MICROMETRES:
        return 1000.0
    if unit not in _NO_UNIT:
        raise InputError(
            f"wavelength units are {unit[:40]!r}; expected nanometers or micrometers", where=path
        )
    if centres is not None and (centres > 100).all():
        return 1.0
    if centres is not None and (centres < 20).all():
        return 1000.0
    raise InputError(
        "the header gives no wavelength units, and its numbers do not tell",
        where=path,
        do="Write 'wavelength units = nanometers' or 'micrometers' into the header",
    )


def _spacing(centres: Array, path: Path) -> Array:
    if centres.size < 2:
        raise InputError("a single band without fwhm", where=path, do="Give sensor.fwhm_nm")
    return np.asarray(np.gradient(centres), dtype=np.float64)


def _settings(table: _Table, keys: HeaderNames, path: Path) -> Settings:
    def number(key: str, units: Mapping[str, float], *, positive: bool = False) -> float:
        text = _text(table, key.strip().lower(), path, "")
        if not text:
            return math.nan
        match = _NUMBER.fullmatch(text)
        unit = " ".join(match[2].lower().split()) if match else ""
        if not match or unit not in units:
            known = ", ".join(name for name in units if name and "?" not in name)
            raise InputError(f"{key!r} is {text[:40]!r}; expected a number ({known})", where=path)
        value = float(match[1]) * units[unit]
        if not math.isfinite(value) or (positive and value <= 0):
            raise InputError(f"{key!r} is {text[:40]!r}; out of range", where=path)
        return value

    start = _text(table, keys.acquisition_start.strip().lower(), path, "")
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
