"""The files that a flight's config names: one list for all who ask."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Literal

from pipeline.config.flight import Config

TableRole = Literal["track", "regions", "irradiance", "linearity", "certificate"]

#: Keys of [flight] whose value is one table, each the table's role among the inputs too.
TABLES: tuple[TableRole, ...] = ("track", "regions", "irradiance")
#: Keys of [flight] whose value is one file.
FLIGHT_FILES = (*TABLES, "manifest", "flat")


def named_tables(config: Config) -> Iterator[tuple[TableRole, Path]]:
    """Role and path of every table and certificate, resolved; captures are found on disk."""
    for role in TABLES:
        path = getattr(config.flight, role)
        if path is not None:
            yield role, path
    if config.sensor.linearity is not None:
        yield "linearity", config.sensor.linearity
    for panel in config.panel:
        yield "certificate", panel.certificate


def named_values(table: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Full key and value of every file in a parsed TOML, as it stands there.

    What is not of its type is left out: the config's own rules say what is wrong with it.
    """
    flight, sensor, panels = (table.get(key) for key in ("flight", "sensor", "panel"))
    found: list[tuple[str, object]] = []
    if isinstance(flight, dict):
        found += [(f"flight.{key}", flight.get(key)) for key in FLIGHT_FILES]
    if isinstance(sensor, dict):
        found.append(("sensor.linearity", sensor.get("linearity")))
    for i, panel in enumerate(panels if isinstance(panels, list) else []):
        if isinstance(panel, dict):
            found += _certificates(f"panel[{i}].certificate", panel.get("certificate"))
    yield from ((key, value) for key, value in found if isinstance(value, str))


def _certificates(key: str, value: object) -> Iterator[tuple[str, object]]:
    """A panel's certificate, or all of those of which the flight's day picks one."""
    if not isinstance(value, list):
        yield key, value
        return
    for j, one in enumerate(value):
        if isinstance(one, dict):
            yield f"{key}[{j}].file", one.get("file")
