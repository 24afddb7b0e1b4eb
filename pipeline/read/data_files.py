"""Which data file a header describes."""

from __future__ import annotations

import os
from pathlib import Path

from pipeline.errors import InputError

#: Suffixes of data files, tried in lower and upper case; the empty one is a bare stem.
DATA_SUFFIXES = (".raw", ".bil", ".bip", ".bsq", ".dat", ".img", "")


def capture_name(header: Path) -> str:
    """Stem of a capture: `strip-00` of `strip-00.hdr` and of `strip-00.raw.hdr`."""
    base = _base(header)
    return base.stem if base.suffix.lower() in DATA_SUFFIXES[:-1] else base.name


def find_data_file(header: Path, claimed: int) -> Path:
    """The file that a header describes; among several the only one of the claimed size.

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
    found: list[tuple[Path, os.stat_result]] = []
    try:
        for candidate in (header.with_name(name) for name in names):
            if candidate == header or not candidate.is_file():
                continue
            stat = candidate.stat()
            # A file system without case shows one file under two names.
            if not any(os.path.samestat(stat, other) for _, other in found):
                found.append((candidate, stat))
    except (OSError, ValueError) as error:
        raise InputError(f"its data file cannot be looked up: {error}", where=header) from None
    if not found:
        suffixes = " ".join(suffix for suffix in DATA_SUFFIXES if suffix)
        raise InputError(
            f"no data file: looked for {base.name} with {suffixes} or no suffix", where=header
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


def _base(header: Path) -> Path:
    return header.with_suffix("") if header.suffix.lower() == ".hdr" else header
