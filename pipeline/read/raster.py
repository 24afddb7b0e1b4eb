"""Cubes in any raster file with one band a wavelength: rows are lines, columns are samples.

The file is opened by GDAL, which is loaded for such flights alone. What lies beside it (statistics,
overviews, world files) is not looked at: a cube is what its own file says.
"""

from __future__ import annotations

import re
import sys
import threading
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from pipeline.config.sensor import Sensor
from pipeline.errors import InputError
from pipeline.files import open_regular
from pipeline.read.headers import Words
from pipeline.read.reader import Digest, Rooms, changed, exact
from pipeline.read.settings import settings_of
from pipeline.read.spectrum import bands_of
from pipeline.records import Capture

#: GDAL's settings: a netCDF's rows in the order of the file, and nothing beside it.
_GDAL = {
    "GDAL_NETCDF_BOTTOMUP": "NO",
    "GDAL_PAM_ENABLED": "NO",
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
}
#: Drivers of files that lead to others, or that a header beside them describes.
_NOT_THE_FILE_ITSELF = frozenset(("VRT", "ENVI", "EHdr", "GenBin", "RRASTER", "ISCE", "ROI_PAC"))
_HEAD_BYTES = 512
_CHUNK = 1 << 20
_NUMBER = re.compile(r"[0-9]+\.?[0-9]*")
_NUMBER_AND_UNIT = re.compile(r"([0-9]+\.?[0-9]*)\s*(nm|um|\u00b5m|\u03bcm)\b", re.I)


@dataclass(frozen=True, eq=False)
class Raster:
    """How counts lie in a raster file."""

    name: str  # by which GDAL opens it: its path, or that of one variable in it
    order: NDArray[np.intp]  # sorts the file's bands by wavelength


def describe(path: Path, sensor: Sensor) -> Capture:
    """Describe a cube in a raster file.

    Parameters
    ----------
    path : the file
    sensor : its wavelengths, where it gives any; else they are the file's own. Its header keys
        are looked for among the file's tags.

    Raises
    ------
    InputError
        No raster of one band a wavelength, of scaled or complex values, or without wavelengths.
    ConfigError
        The sensor's wavelengths or widths are not those of this file.
    """
    path = Path(path)
    with open_raster(path) as found:
        words, name = words_of(found), str(found.name)
        bands, (lines, samples), kind = found.count, found.shape, kind_of(found, path)
    spectrum = bands_of(words, bands, sensor, path)
    return Capture(
        name=capture_name(path),
        header=path,
        data=path,
        files=(path,),
        lines=lines,
        bands=bands,
        samples=samples,
        itemsize=min(kind.itemsize, 4),
        claimed_bytes=file_stamp(path)[0],
        layout=f"raster {kind.name}",
        by_line=False,
        wavelength_nm=spectrum.wavelength_nm,
        fwhm_nm=spectrum.fwhm_nm,
        settings=settings_of(words, sensor, path),
        stored=Raster(name, spectrum.order),
    )


def capture_name(path: Path) -> str:
    """Stem of a capture: `strip-00` of `strip-00.tif`."""
    return path.stem


def open_raster(path: Path, name: str | None = None) -> Any:
    """A raster file open by GDAL, to be closed; of several variables the only one with bands.

    Raises InputError where it is no regular file, no raster, or one that leads to other files.
    """
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioError

    _require_own_data(path)
    with _opening, _quietly(), warnings.catch_warnings(), rasterio.Env(**_GDAL):
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        try:
            found = rasterio.open(name or path)
            if not name and not found.count and found.subdatasets:
                with found:
                    found = rasterio.open(_only_variable(found, path))
        except (RasterioError, OSError) as error:
            raise InputError(f"cannot be read as a raster: {short(error)}", where=path) from None
    try:
        _require_usable(found, path)
    except InputError:
        found.close()
        raise
    return found


#: The filters of warnings are one for all threads, and so is the hook.
_opening = threading.Lock()


@contextmanager
def _quietly() -> Iterator[None]:
    """Without the tracebacks that rasterio's log prints where a damaged file's text is no UTF-8."""
    unraisable, uncaught = sys.unraisablehook, sys.excepthook

    def not_of_the_log(said: sys.UnraisableHookArgs) -> None:
        if said.object != "rasterio._env.log_error":
            unraisable(said)

    def not_of_text(kind: type[BaseException], error: BaseException, trace: Any) -> None:
        if not isinstance(error, UnicodeDecodeError):
            uncaught(kind, error, trace)

    sys.unraisablehook, sys.excepthook = not_of_the_log, not_of_text
    try:
        yield
    finally:
        sys.unraisablehook, sys.excepthook = unraisable, uncaught


def short(error: Exception) -> str:
    return str(error.__cause__ or error)[:160]


def _require_own_data(path: Path) -> None:
    """InputError where a file is text: one that may lead GDAL to any other file or address."""
    try:
        with open_regular(path) as file:
            head = file.read(_HEAD_BYTES)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=path) from None
    if not head:
        raise InputError("the file is empty", where=path)
    # The mark or the first sizes of a binary raster hold bytes that no text has.
    if min(head) >= ord("\t"):
        raise InputError(
            "text; expected a raster, or the header (.hdr) of a flat binary file", where=path
        )


def _only_variable(found: Any, path: Path) -> str:
    """The name of the one variable of several bands in a file of several variables."""
    import rasterio

    names = []
    for name in found.subdatasets:
        with rasterio.open(name) as inner:
            if inner.count > 1:
                names.append(name)
    if len(names) != 1:
        raise InputError(
            f"{len(names)} of its {len(found.subdatasets)} variables have bands; expected one",
            where=path,
        )
    return str(names[0])


def _require_usable(found: Any, path: Path) -> None:
    if found.driver in _NOT_THE_FILE_ITSELF:
        raise InputError(
            "no raster by itself; other files belong to it",
            where=path,
            do="Name the header (.hdr) of a flat binary file in flight.cubes",
        )
    if any(scale != 1 for scale in found.scales) or any(offset != 0 for offset in found.offsets):
        raise InputError(
            f"its values are scaled (scale {found.scales[0]:g}, offset {found.offsets[0]:g}); "
            "expected raw counts",
            where=path,
        )


def kind_of(found: Any, path: Path) -> np.dtype[Any]:
    """The type of an open raster's numbers, which all bands share."""
    kinds = sorted(set(found.dtypes))
    if len(kinds) == 1 and not kinds[0].startswith("complex"):
        kind: np.dtype[Any] = np.dtype(kinds[0])
        if kind.kind in "iuf":
            return kind
    raise InputError(f"its bands are {', '.join(kinds)}; expected one type of numbers", where=path)


def words_of(found: Any) -> Words:
    """What an open raster says of itself, in the words that headers use.

    Wavelengths and widths are looked for, in this order, in GDAL's own band metadata, in tags of
    the bands, in the coordinate of a netCDF's dimension, in the bands' descriptions, and in tags
    of the file.
    """
    tags = {key.rpartition("#")[2].lower(): value for key, value in found.tags().items()}
    tags |= {key.replace("_", " "): value for key, value in tags.items()}
    words: dict[str, str | list[str]] = dict(tags)
    for name in ("wavelength", "fwhm"):
        if (listed := tags.get(name)) is not None:
            words[name] = [text.strip() for text in listed.strip("{}[] ").split(",")]
    words.setdefault("wavelength units", tags.get("wavelength unit", ""))
    bands = range(1, found.count + 1)
    for source in (_central, _tagged, _coordinates, _described):
        own = source(found, bands)
        if own:
            if words["wavelength units"] not in ("", own["wavelength units"]):
                words.pop("fwhm", None)  # of another unit than the wavelengths that are used
            words.update(own)
            break
    return words


def _central(found: Any, bands: range) -> Mapping[str, str | list[str]]:
    """GDAL's raster data model: the domain IMAGERY, in micrometres."""
    each = [found.tags(band, ns="IMAGERY") for band in bands]
    own: dict[str, str | list[str]] = {}
    for key, name in (("CENTRAL_WAVELENGTH_UM", "wavelength"), ("FWHM_UM", "fwhm")):
        if all(key in tags for tags in each):
            own[name] = [tags[key] for tags in each]
    return own | {"wavelength units": "um"} if "wavelength" in own else {}


def _tagged(found: Any, bands: range) -> Mapping[str, str | list[str]]:
    each = [{k.lower().replace("_", " "): v for k, v in found.tags(b).items()} for b in bands]
    own: dict[str, str | list[str]] = {}
    for name in ("wavelength", "fwhm"):
        if all(name in tags for tags in each):
            own[name] = [tags[name] for tags in each]
    if "wavelength" not in own:
        return {}
    units = each[0].get("wavelength unit", found.tags().get("wavelength_units", ""))
    return own | {"wavelength units": each[0].get("wavelength units", units)}


def _coordinates(found: Any, bands: range) -> Mapping[str, str | list[str]]:
    """The values of a netCDF's outermost dimension, where it is one of lengths."""
    names = [key for key in found.tags(1) if key.startswith("NETCDF_DIM_")]
    if len(names) != 1:
        return {}
    unit = found.tags().get(f"{names[0].removeprefix('NETCDF_DIM_')}#units", "")
    values = [found.tags(band).get(names[0], "") for band in bands]
    return {"wavelength": values, "wavelength units": unit}


def _described(found: Any, bands: range) -> Mapping[str, str | list[str]]:
    """Descriptions such as `402.5 nm`, or numbers alone."""
    if all(_NUMBER.fullmatch(text or "") for text in found.descriptions):
        return {"wavelength": list(found.descriptions), "wavelength units": ""}
    matches = [_NUMBER_AND_UNIT.search(text or "") for text in found.descriptions]
    units = {match[2].lower() for match in matches if match}
    if len(units) != 1 or not all(matches):
        return {}
    unit = "nm" if units == {"nm"} else "um"
    return {"wavelength": [m[1] for m in matches if m], "wavelength units": unit}


def file_stamp(path: Path) -> tuple[int, int]:
    """Size [bytes] and modification time [ns] of a file."""
    try:
        seen = path.stat()
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=path) from None
    return seen.st_size, seen.st_mtime_ns


class RasterReader:
    """An open raster cube; see `Reader`."""

    def __init__(self, capture: Capture) -> None:
        assert isinstance(capture.stored, Raster)
        self.capture = capture
        self._indexes = [int(band) + 1 for band in capture.stored.order]
        self._name = capture.stored.name
        self._rooms = Rooms()
        # One thread at a time: GDAL's handles are not for several.
        self._lock = threading.Lock()

    def __enter__(self) -> Self:
        cube = self.capture
        self._stamp = file_stamp(cube.data)
        self._found = open_raster(cube.data, self._name)
        if (self._found.count, *self._found.shape) != (cube.bands, cube.lines, cube.samples):
            self._found.close()
            raise changed(self.capture.data)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._found.close()
        if error is None and file_stamp(self.capture.data) != self._stamp:
            raise changed(self.capture.data)

    def lines(self, start: int, stop: int) -> NDArray[Any]:
        """Raw counts, see `Reader.lines`."""
        return self._filled(start, stop, None)

    def blocks(
        self, lines_per_block: int, *, digest: Digest | None = None, once: bool = False
    ) -> Iterator[tuple[int, NDArray[Any]]]:
        """All lines in order, see `Reader.blocks`; the file is read again for its digest."""
        if lines_per_block < 1:
            raise ValueError(f"lines_per_block is {lines_per_block}; expected 1 or more")
        cube = self.capture
        self._rooms.clear()
        for start in range(0, cube.lines, lines_per_block):
            room = self._rooms.take(start, lambda: self._empty(min(lines_per_block, cube.lines)))
            yield start, self._filled(start, min(start + lines_per_block, cube.lines), room)
        if digest is not None:
            self.add_to(digest)

    def give_back(self, start: int) -> None:
        """Let the memory of the block that starts at a line be filled by a later one."""
        self._rooms.give_back(start)

    def add_to(self, digest: Digest) -> None:
        """Let a digest take in the whole file."""
        try:
            with open_regular(self.capture.data) as file:
                while part := file.read(_CHUNK):
                    digest.update(part)
        except OSError as error:
            raise InputError(f"cannot be read: {error.strerror}", where=self.capture.data) from None

    def _empty(self, lines: int) -> NDArray[Any]:
        return np.empty((lines, self.capture.bands, self.capture.samples), self._found.dtypes[0])

    def _filled(self, start: int, stop: int, room: NDArray[Any] | None) -> NDArray[Any]:
        """Counts (line, band, sample) that lie in memory as a flat binary file's by line do, for
        sums over another order of the same counts differ in their last bits."""
        from rasterio.errors import RasterioError
        from rasterio.windows import Window

        cube = self.capture
        if not 0 <= start <= stop <= cube.lines:
            raise ValueError(f"lines {start} to {stop} of a cube of {cube.lines} lines")
        counts = (self._empty(stop - start) if room is None else room)[: stop - start]
        if start < stop:
            window = Window(0, start, cube.samples, stop - start)
            try:
                with self._lock:
                    counts[:] = self._found.read(self._indexes, window=window).transpose(1, 0, 2)
            except (RasterioError, OSError) as error:
                raise InputError(
                    f"lines {start} to {stop} cannot be read: {short(error)}",
                    where=cube.data,
                    do="Copy the file again from the recorder",
                ) from None
        return exact(counts, cube, start)
