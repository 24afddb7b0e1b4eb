"""The day of a flight, which picks among the certificates that the config gives a panel."""

from __future__ import annotations

import datetime as dt
import json

import numpy as np

from pipeline.calibrate.recording import line_times, usable
from pipeline.config.flight import Config
from pipeline.config.panel import Panel
from pipeline.errors import ConfigError
from pipeline.read.inventory import take_inventory


def on_its_day(config: Config) -> Config:
    """The config with the certificates that held on the flight's day, UTC.

    One that leaves no choice is handed back at once; otherwise headers and line times are read.

    Raises
    ------
    ReflectoryError
        As `take_inventory` and `on_day`.
    """
    if not any(panel.dated for panel in config.panel):
        return config
    inventory = usable(take_inventory(config))
    for cube in inventory.cubes:
        time_s = line_times(inventory, cube, config.tables.line_times).time_s
        known = time_s[np.isfinite(time_s)]
        if known.size:
            return on_day(config, dt.datetime.fromtimestamp(float(known[0]), dt.UTC).date())
    return on_day(config, None)


def on_day(config: Config, day: dt.date | None) -> Config:
    """The config as if each panel named but the certificate that holds on the flight's day.

    What is left is the same as with that certificate alone, measured on the day from which it
    holds: so is the run's id, whatever certificates follow later.

    Raises
    ------
    ConfigError
        The day is not known, or lies before the first certificate's.
    """
    if not any(panel.dated for panel in config.panel):
        return config
    work = json.loads(config.work)
    panels = []
    for i, panel in enumerate(config.panel):
        if panel.dated:
            number = _index_on(panel, day, f"{config.path}: panel[{i}].certificate")
            picked, named = panel.dated[number], panel.named[number]
            panel = panel.with_certificate(picked.file, picked.since)
            work["panel"][i]["certificate"] = str(named)
            work["panel"][i]["measured"] = picked.since.isoformat()
        panels.append(panel)
    text = json.dumps(work, separators=(",", ":"), ensure_ascii=False)
    return config.model_copy(update={"panel": tuple(panels), "work": text})


def _index_on(panel: Panel, day: dt.date | None, where: str) -> int:
    if day is None:
        raise ConfigError(
            f"the flight's day picks panel {panel.name}'s certificate, and nothing tells the day",
            where=where,
            do="Give line times or a header's start time, or name one certificate",
        )
    holding = [i for i, one in enumerate(panel.dated) if one.since <= day]
    if not holding:
        raise ConfigError(
            f"the flight of {day} lies before the first certificate of panel {panel.name}, which "
            f"holds from {panel.dated[0].since} on",
            where=where,
            do="Add the certificate that held then",
        )
    return holding[-1]
