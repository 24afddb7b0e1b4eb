"""Which data file a header describes."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from pipeline.errors import InputError

#: Suffixes of data files, tried in lower and upper case; the empty one is a bare stem.
DATA_SUFFIXES = (".raw", ".bil", ".bip", ".bsq", ".dat", ".img", "")
#: Suffixes of what a recorder lays beside a cube, which is not its data.
_BESIDE = (
    *(".hdr", ".csv", ".tsv", ".txt", ".xml", ".json", ".toml", ".log", ".md", ".sha256", ".md5"),
    *(".kml", ".geojson", ".pdf", ".png", ".jpg", ".jpeg", ".zip", ".gz", ".7z", ".tmp", ".part"),
)
_A_SUFFIX = re.compile(r"\.[A-Za-z][A-Za-z0-9]{1,7}")


def capture_name(header: Path) -> str:
    """Stem of a capture: `strip-00` of `strip-00.hdr`, of `strip-00.raw.hdr` and, where there is
    such a data file, of `strip-00.bin.hdr`."""
    base = _base(header)
    if base.suffix.lower() in DATA_SUFFIXES[:-1]:
        return base.stem
    if base != header and _A_SUFFIX.fullmatch(base.suffix) and _is_file(base):
        return base.stem
    return base.name


def header_beside(data: Path) -> Path | None:
    """The header of a file with a suffix of flat binary data; None where there is none."""
    if data.suffix.lower() not in DATA_SUFFIXES:
        return None
    for header in (data.with_suffix(".hdr"), data.with_name(f"{data.name}.hdr")):
        if header != data and _is_file(header):
            return header
    return None


def find_data_file(header: Path, claimed: int) -> Path:
    """The file that a header describes; among several the only one of the claimed size.

    The usual suffixes are looked for first. Where there is none of them, a file of the same stem
    with any other suffix is the data, unless by its suffix it is a table or a note.

    Parameters
    ----------
    header : `<stem>.hdr` or `<data file>.hdr`
    claimed : bytes that the header claims

    Raises
    ------
    InputError
        None is there, or several of which none or more than one has the claimed size.
    """
    base = _base(header)
    names = [base.name + s for suffix in DATA_SUFFIXES for s in {suffix: 0, suffix.upper(): 0}]
    try:
        found = _files(header.with_name(name) for name in names if name != header.name)
        if not found:
            found = _files(_others(base, header))
    except (OSError, ValueError) as error:
        raise InputError(f"its data file cannot be looked up: {error}", where=header) from None
    if not found:
        suffixes = " ".join(suffix for suffix in DATA_SUFFIXES if suffix)
        raise InputError(
            f"no data file: looked for {base.name} with {suffixes}, any other suffix or none",
            where=header,
        )
    if len(found) > 1:
        found = [item for item in found if item[1].st_size == claimed] or found
    if len(found) > 1:
        raise InputError(
            f"several data files: {', '.join(path.name for path, _ in found)}",
            where=header,
            do="Keep the one that the header describes",
        )
    return found[0][0]


def _others(base: Path, header: Path) -> Iterator[Path]:
    """Files named as the header but for one suffix that is no note's, in order of their names."""
    for path in sorted(header.parent.iterdir()):
        suffix = path.name.removeprefix(base.name)
        named = path.name.startswith(base.name) and _A_SUFFIX.fullmatch(suffix)
        if named and suffix.lower() not in _BESIDE:
            yield path


def _files(candidates: Iterable[Path]) -> list[tuple[Path, os.stat_result]]:
    """Those that are there, once each."""
    found: list[tuple[Path, os.stat_result]] = []
    for candidate in candidates:
        if not candidate.is_file():
            continue
        seen = candidate.stat()
        # A file system without case shows one file under two names.
        if not any(os.path.samestat(seen, other) for _, other in found):
            found.append((candidate, seen))
    return found


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _base(header: Path) -> Path:
    return header.with_suffix("") if header.suffix.lower() == ".hdr" else header
