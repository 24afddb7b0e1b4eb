"""The campaign's TOML: an inbox of flights, and the config of those that bring none.

[sweep] says where flights arrive and where results go. The other tables are those of a flight's
config; they hold for every flight without a config of its own. Paths are relative to the campaign
file, but those of [flight], which are the flight's own.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from pipeline.campaign.boundary import (
    leads_out,
    named_by,
    real_path,
    require_inside,
    require_named_inside,
)
from pipeline.config.complaint import config_error
from pipeline.config.flight import Config, config_from_table
from pipeline.config.model import Count, Number, safe_name
from pipeline.config.named_files import FLIGHT_FILES, named_values
from pipeline.config.toml_file import read_toml
from pipeline.errors import ConfigError


class Sweep(BaseModel):
    """Where flights arrive, when they are taken, and where results go."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    inbox: Path = Field(Path("inbox"), description="Folder with one sub-folder a flight.")
    results: Path = Field(Path("results"), description="Folder of all results and index.html.")
    ledger: Path = Field(Path("ledger.sqlite"), description="What was done; SQLite.")
    flight_config: str = Field(
        "flight.toml", description="A flight's own config, in its folder; else this file's tables."
    )
    settle_minutes: Number = Field(
        10.0, ge=0, description="How long a flight's files must have been still; 0 takes them now."
    )
    attempts: Count = Field(3, ge=1, description="Failed tries before a flight is set aside.")
    overdue_hours: Number = Field(
        24.0,
        ge=0,
        description="A flight that waits for longer needs somebody (common practice, no source).",
    )
    acknowledged: tuple[str, ...] = Field(
        (),
        description="Folders of flights that need nobody any more though they are not calibrated; "
        "a file called `acknowledged` in a flight's folder says the same.",
    )

    @model_validator(mode="after")
    def _plain_file_name(self) -> Self:
        name = self.flight_config
        if not name or name in (".", "..") or "/" in name or "\0" in name:
            raise ValueError(f"flight_config: expected a file name, got {name!r}")
        return self


@dataclass(frozen=True)
class Campaign:
    """A campaign as read; absolute paths."""

    path: Path
    sweep: Sweep
    template: Mapping[str, Any]  # the tables of a flight's config; empty where there are none

    @property
    def base(self) -> Path:
        """The folder that the campaign's paths are relative to."""
        return self.path.parent

    def own_config(self, folder: Path) -> Path | None:
        """A flight's own config; None where it brings none."""
        own = folder / self.sweep.flight_config
        return own if own.is_file() else None

    def config_of(self, folder: Path) -> Config:
        """The config of the flight in a folder, results below `sweep.results`.

        A flight whose config calls it other than its folder gets a folder of its own there, so
        that two flights of one name stay apart.

        Raises
        ------
        ConfigError
            The flight's config is wrong, or it has none and the campaign neither; or something
            of the flight leads out of its folder.
        """
        allowed = named_by(self.template, self.base)
        require_inside(folder, self.sweep.inbox, allowed)
        name, own = safe_name(folder.name), self.own_config(folder)
        if own is None:
            return self._from_template(folder, name)
        table, text = read_toml(own)
        require_named_inside(own, table, folder, allowed)
        config = config_from_table(table, path=own, text=text)
        results = self.sweep.results
        target = results if config.flight.name == name else results / name
        return config.model_copy(
            update={"output": config.output.model_copy(update={"folder": target})}
        )

    def _from_template(self, folder: Path, name: str) -> Config:
        if not self.template:
            raise ConfigError(
                f"the flight has no {self.sweep.flight_config} and the campaign no [flight]",
                where=folder,
                do="Put a config into the flight's folder",
            )
        if any("\ud800" <= c <= "\udfff" for c in folder.name):
            raise ConfigError(
                "the folder's name is not UTF-8 text", where=folder, do="Rename the folder"
            )
        below = folder.relative_to(self.base) if folder.is_relative_to(self.base) else folder
        flight = dict(self.template["flight"])
        for key in FLIGHT_FILES:
            value = flight.get(key)
            if isinstance(value, str) and (folder / value).is_file():
                flight[key] = str(below / value)
        flight |= {"name": name, "folder": str(below / str(flight.get("folder", "")))}
        if not (self.base / flight["folder"]).resolve().is_relative_to(folder.resolve()):
            raise ConfigError(
                "leads out of the flight's folder", where=f"{self.path}: flight.folder"
            )
        table = {**self.template, "flight": flight}
        return config_from_table(
            table, path=self.path, text=tomli_w.dumps(table), output=self.sweep.results
        )

    def outside_files(self, folder: Path) -> Iterator[Path]:
        """Files outside a flight's folder that decide its result too."""
        own = self.own_config(folder)
        if own is not None:
            allowed = named_by(self.template, self.base)
            paths = (folder / value for _, value in named_values(_parsed(own, folder)))
            yield from (path for path in paths if real_path(path) in allowed)
            return
        for key, value in named_values(self.template):
            yield self.base / value
            if key == "flight.flat":
                # Its data lie beside its header.
                yield from _found((self.base / value).parent, f"{Path(value).stem}.*")
        flight = self.template.get("flight")
        line_times = flight.get("line_times") if isinstance(flight, dict) else None
        if isinstance(line_times, str):
            yield from _found(self.base, line_times.replace("{stem}", "*"))

    def template_digest(self) -> str:
        """SHA-256 of the tables for flights without their own config."""
        text = json.dumps(self.template, sort_keys=True, default=str)
        return hashlib.sha256(text.encode()).hexdigest()


def load_campaign(path: str | Path) -> Campaign:
    """Read and check a campaign's TOML.

    Raises
    ------
    ConfigError
        Naming the file and the key's full name: not TOML, an unknown key, a wrong type, an inbox
        or a certificate that is not there, results inside the inbox.
    """
    path = Path(path).absolute()
    table, _ = read_toml(path)
    settings = table.pop("sweep", None)
    if settings is None:
        raise ConfigError("missing", where=f"{path}: sweep", do="Give the table [sweep]")
    try:
        sweep = _Campaign.model_validate({"sweep": settings}).sweep
    except ValidationError as error:
        raise config_error(error, path, _Campaign) from None
    base = path.parent
    sweep = sweep.model_copy(
        update={key: base / getattr(sweep, key) for key in ("inbox", "results", "ledger")}
    )
    _require_places(path, sweep)
    if table:
        _require_template(table, path)
    return Campaign(path, sweep, table)


def _parsed(own: Path, folder: Path) -> Mapping[str, Any]:
    """A flight's own config as it stands; empty where it is none, of which `config_of` tells."""
    if leads_out(own, folder):
        return {}
    with suppress(ConfigError):
        return read_toml(own)[0]
    return {}


def _found(folder: Path, pattern: str) -> list[Path]:
    with suppress(OSError, ValueError, NotImplementedError):
        return sorted(folder.glob(pattern))
    return []


class _Campaign(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    sweep: Sweep


def _require_places(path: Path, sweep: Sweep) -> None:
    try:
        there = sweep.inbox.is_dir()
        inside = sweep.results.resolve().is_relative_to(sweep.inbox.resolve())
    except (OSError, ValueError) as error:
        raise ConfigError(f"not a path: {error}", where=f"{path}: sweep") from None
    if not there:
        raise ConfigError(f"no such folder: {sweep.inbox}", where=f"{path}: sweep.inbox")
    if inside:
        raise ConfigError("lies inside the inbox", where=f"{path}: sweep.results")


def _require_template(table: Mapping[str, Any], path: Path) -> None:
    """Check the tables for flights as far as that is possible without a flight."""
    flight = table.get("flight", {})
    output = table.get("output", {})
    if isinstance(output, dict) and "folder" in output:
        raise ConfigError(
            "is not for a campaign", where=f"{path}: output.folder", do="Use sweep.results"
        )
    if isinstance(flight, dict):
        if "name" in flight:
            raise ConfigError(
                "is not for a campaign: a flight is named after its folder",
                where=f"{path}: flight.name",
            )
        flight = {**flight, "name": "any"}
    try:
        # Flights' own files are not here yet; the certificates must be.
        whole = {**table, "flight": flight}
        Config.model_validate(whole)
    except ValidationError as error:
        raise config_error(error, path, Config) from None
    bare = {k: v for k, v in flight.items() if k not in (*FLIGHT_FILES, "folder")}
    calibration = {**table.get("calibration", {}), "illumination": "constant"}
    config_from_table(
        {**table, "flight": bare, "calibration": calibration}, path=path, text="", output=path
    )
