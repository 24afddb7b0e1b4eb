"""The version of this software: that of the installed distribution, as pyproject.toml states it."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("reflectory")
except PackageNotFoundError:
    # Run from a copy of the source: better an honest gap in the provenance than a guess.
    __version__ = "0+not.installed"

#: Name of the program where identifiers and attributes need one of their own.
PREFIX = "reflectory"
