"""The TOML config as typed, frozen models; every default in one place.

Paths are given relative to the config file and resolved by `load_config`, which also proves that
they exist. Nothing here opens a cube.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationError, model_validator

from pipeline.config.complaint import config_error, nearest
from pipeline.config.model import NAME, Bound, Model, Number, Patterns, Switch
from pipeline.config.panel import Panel
from pipeline.config.sensor import Sensor
from pipeline.config.tables import Tables
from pipeline.config.toml_file import read_toml
from pipeline.errors import ConfigError
from pipeline.flags import WITHOUT_VALUE, QualityFlag, quality_mask

AttributeName = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_]{0,99}$")]
AttributeText = Annotated[str, Field(min_length=1)]


class Frames(Model):
    """Cubes that are folders of raster files, one line each."""

    files: str = Field("*", min_length=1, description="Glob pattern of the files in a folder.")
    rows: Literal["bands", "samples"] = Field(description="What the rows of a file are.")


class Flight(Model):
    """What was recorded, and where it lies."""

    name: str = Field(pattern=NAME, description="Name of the flight; names the results' folder.")
    folder: Path = Field(Path(), description="Folder of the raw files.")
    cubes: Patterns = Field(
        description="Glob patterns of the cubes' headers, raster files or folders of frames, in "
        "acquisition order."
    )
    darks: Patterns = Field(description="Glob patterns of the dark captures, likewise.")
    line_times: str | None = Field(
        None, description="CSV `line,time_utc` of each cube; `{stem}` stands for the cube's stem."
    )
    track: Path | None = Field(None, description="CSV of position and attitude over time.")
    regions: Path | None = Field(None, description="Named polygons, KML or GeoJSON.")
    irradiance: Path | None = Field(None, description="CSV `time_utc,irradiance`, linear.")
    flat: str | None = Field(
        None, description="Header of a capture of a uniform target filling the swath."
    )
    manifest: Path | None = Field(
        None, description="sha256sum list of the offload; `manifest.sha256` in the folder is found."
    )
    frames: Frames | None = Field(
        None, description="Where cubes are folders of raster files, one line each: how they lie."
    )
    survey: str = Field("survey", description="Name of the survey polygon among the regions.")


class Calibration(Model):
    """Choices of the calibration."""

    illumination: Literal["constant", "panel passes", "irradiance log", "clear sky"] = Field(
        "constant",
        description='What follows the light: nothing, "panel passes", "irradiance log", or the '
        'sun\'s course by a model of a cloudless sky, "clear sky".',
    )
    response: Literal["flat", "scene", "none"] | None = Field(
        None,
        description='Relative response across the swath: of flight.flat ("flat", where there is '
        'one), of the scene itself ("scene"), not corrected ("none").',
    )
    offset_uncertainty: Number = Field(
        0.003,
        ge=0,
        description="Least standard uncertainty of the offset, in reflectance, where a band has "
        "one panel and cannot show it (common practice, no source).",
    )
    certificates_correlated: Switch = Field(
        False, description="Certificates share one calibration, so that their errors go together."
    )


class Quality(Model):
    """What is flagged, what is blanked."""

    low_signal_snr: Number = Field(
        3.0, ge=0, description="Below this signal over noise: low_signal."
    )
    blank: tuple[str, ...] = Field(
        ("saturated", "bad_element", "no_calibration"),
        description="Samples with one of these flags, or no_data, get the fill value.",
    )
    interpolate_bad_elements: Switch = Field(
        False, description="Fill bad elements from their neighbour samples; flagged all the same."
    )
    trim_band_ends: Switch = Field(
        False, description="Leave out bands at either end whose signal is below 3 times its noise."
    )

    @model_validator(mode="after")
    def _known_flags(self) -> Self:
        known = {flag.name.lower() for flag in QualityFlag if flag.name}
        for name in self.blank:
            if name not in known:
                raise ValueError(f'blank: unknown flag "{name}". {nearest(name, sorted(known))}')
        if "no_calibration" not in self.blank:
            raise ValueError("blank: no_calibration must be listed; such samples have no value")
        return self

    @property
    def blanked(self) -> tuple[str, ...]:
        """Flags whose samples are blank in the end, in order of their bits."""
        mask = quality_mask(self.blank) | WITHOUT_VALUE
        if self.interpolate_bad_elements:
            mask &= ~QualityFlag.BAD_ELEMENT
        return tuple(flag.name.lower() for flag in QualityFlag if flag & mask and flag.name)


class Output(Model):
    """Where results go and in which form."""

    folder: Path = Field(Path("results"), description="Folder of all results.")
    format: Literal["netcdf", "zarr"] = Field("netcdf", description='Or "zarr" (v3, sharded).')
    uncertainty: Switch = Field(True, description="Write each sample's standard uncertainty.")
    attributes: dict[AttributeName, AttributeText] = Field(
        default_factory=dict, description="More global attributes: creator_name, license, ..."
    )


class Limit(Model):
    """A check's limits, moved."""

    caution: Bound = Field(
        None, description="Where caution begins, for the check of this name; of a span, both ends."
    )
    fail: Bound = Field(None, description="Where it fails, likewise.")


class Config(Model):
    """One flight's config."""

    flight: Flight
    sensor: Sensor = Sensor()
    tables: Tables = Tables()
    panel: tuple[Panel, ...] = Field(min_length=1)
    calibration: Calibration = Calibration()
    quality: Quality = Quality()
    output: Output = Output()
    limits: dict[str, Limit] = Field(default_factory=dict)

    #: Where the text came from; filled by `load_config`.
    path: Path = Field(Path("config.toml"), exclude=True)
    text: str = Field("", exclude=True, repr=False)
    #: What decides the result, defaults included, without the output folder; JSON.
    work: str = Field("", exclude=True, repr=False)

    @property
    def response(self) -> Literal["flat", "scene", "none"]:
        """What tells the relative response across the swath."""
        return self.calibration.response or ("flat" if self.flight.flat else "none")

    @property
    def sha256(self) -> str:
        """Digest of the config's text."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        from pipeline.radiometry.limits import LIMITS

        for name in self.limits:
            if name not in LIMITS:
                advice = nearest(name, LIMITS)
                raise ValueError(
                    f"limits.{name}: no check has this name{f'. {advice}' if advice else ''}"
                )
        if not any(panel.use == "fit" for panel in self.panel):
            raise ValueError('panel: at least one needs use = "fit"')
        by_name: dict[str, Panel] = {}
        for panel in self.panel:
            first = by_name.setdefault(panel.name, panel)
            theirs, ours = (one.dated or one.certificate for one in (first, panel))
            if (theirs, first.use) != (ours, panel.use):
                raise ValueError(
                    f"panel {panel.name!r} is given twice with another certificate or use"
                )
        if self.calibration.illumination == "irradiance log" and self.flight.irradiance is None:
            raise ValueError('calibration.illumination is "irradiance log": give flight.irradiance')
        if self.calibration.illumination == "clear sky" and self.flight.track is None:
            raise ValueError('calibration.illumination is "clear sky": give flight.track')
        with_flat = self.flight.flat is not None
        if with_flat != (self.calibration.response == "flat") and self.calibration.response:
            raise ValueError(
                'calibration.response is "flat": give flight.flat'
                if not with_flat
                else f'calibration.response is "{self.calibration.response}": leave flight.flat out'
            )
        return self


def load_config(path: str | Path, *, output: str | Path | None = None) -> Config:
    """Read and check a flight's config.

    Parameters
    ----------
    path : the TOML file
    output : replaces `output.folder`; relative to the working directory, as a command line's is

    Raises
    ------
    ConfigError
        Naming the file and the key's full name: not TOML, an unknown key, a wrong type, a path
        that is not there.
    """
    path = Path(path)
    table, text = read_toml(path)
    return config_from_table(table, path=path, text=text, output=output)


def config_from_table(
    table: dict[str, Any], *, path: Path, text: str, output: str | Path | None = None
) -> Config:
    """Config from a parsed TOML table; `path` anchors relative paths and names errors.

    A file is looked for beside the config, then in the flight's folder.
    """
    for key in ("path", "text", "work"):
        if key in table:
            raise ConfigError("unknown key", where=f"{path}: {key}")
    try:
        config = Config.model_validate({**table, "path": path, "text": text})
    except ValidationError as error:
        raise config_error(error, path, Config) from None
    work = config.model_dump_json(exclude={"output": {"folder"}})
    return _resolved(config.model_copy(update={"work": work}), output)


def _resolved(config: Config, output: str | Path | None) -> Config:
    """The config with absolute paths, each proved to exist."""
    base = config.path.absolute().parent

    def existing(value: Path | None, key: str, *, folder: bool = False) -> Path | None:
        if value is None:
            return None
        for full in (base / value, base / config.flight.folder / value):
            try:
                if full.is_dir() if folder else full.is_file():
                    return full
            except (OSError, ValueError):
                continue
        kind = "folder" if folder else "file"
        raise ConfigError(f"no such {kind}: {base / value}", where=f"{config.path}: {key}")

    flight = config.flight
    folder = existing(flight.folder, "flight.folder", folder=True)
    flight = flight.model_copy(
        update={
            "folder": folder,
            "track": existing(flight.track, "flight.track"),
            "regions": existing(flight.regions, "flight.regions"),
            "irradiance": existing(flight.irradiance, "flight.irradiance"),
            "manifest": existing(flight.manifest, "flight.manifest"),
        }
    )

    def resolved(panel: Panel, key: str) -> Panel:
        if not panel.dated:
            return panel.model_copy(update={"certificate": existing(panel.certificate, key)})
        files = [existing(one.file, f"{key}[{j}].file") for j, one in enumerate(panel.dated)]
        dated = (
            replace(one, file=file)
            for one, file in zip(panel.dated, files, strict=True)
            if file is not None
        )
        return panel.with_dated(tuple(dated), panel.named)

    panels = tuple(
        resolved(panel, f"panel[{i}].certificate") for i, panel in enumerate(config.panel)
    )
    of_sensor = {
        name: existing(value, f"sensor.{name}")
        for name, value in config.sensor
        if isinstance(value, Path)
    }
    target = Path(output).absolute() if output is not None else base / config.output.folder
    return config.model_copy(
        update={
            "flight": flight,
            "sensor": config.sensor.model_copy(update=of_sensor),
            "panel": panels,
            "output": config.output.model_copy(update={"folder": target}),
        }
    )


def require_output_folder(config: Config, where: str = "") -> None:
    """ConfigError where a file lies in the way of the flight's folder of results.

    `where` names what gave the folder; `output.folder` in the config where empty. Nothing is made:
    a folder that is not there yet is right.
    """
    folder = config.output.folder / config.flight.name
    for part in (folder, *folder.parents):
        try:
            if part.is_dir():
                return
            if part.exists():
                raise ConfigError(
                    f"expected a folder, got a file: {part}",
                    where=where or f"{config.path}: output.folder",
                    do="Name another output folder",
                )
        except (OSError, ValueError):
            # Cannot be looked at: whoever writes there will say why.
            return
