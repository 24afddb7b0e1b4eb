"""The sample flight, laid out in a folder of the user's."""

from __future__ import annotations

import shutil
from pathlib import Path

from pipeline.errors import InputError, OutputError


def sample_folder() -> Path:
    """Where the sample flight lies: inside an installed package, or beside a checkout's."""
    package = Path(__file__).parents[1]
    for folder in (package / "sample_data", package.parent / "sample_data"):
        if (folder / "flight.toml").is_file():
            return folder
    raise InputError("the sample flight is not installed", where=package)


def lay_out(folder: Path) -> Path:
    """Copy the sample flight into a folder; the path of its config."""
    source = sample_folder()
    try:
        if (folder / "flight.toml").is_file():
            return folder / "flight.toml"
        if folder.exists() and any(folder.iterdir()):
            raise OutputError(
                "is not empty", where=folder, do="Name a new folder: reflectory demo DIR"
            )
        shutil.copytree(
            source,
            folder,
            ignore=shutil.ignore_patterns("results", "report.png"),
            dirs_exist_ok=True,
        )
    except OSError as error:
        raise OutputError(f"cannot write here: {error.strerror}", where=folder) from error
    return folder / "flight.toml"
