"""The config's `[sensor]`: the camera, and its headers in their own words."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from pipeline.config.complaint import shown
from pipeline.config.model import Model, Number, Numbers
from pipeline.config.tables import TimeForm, Zone


class HeaderKey(Model):
    """A header's key of a capture setting."""

    key: str = Field(min_length=1, description="The key.")


class DurationKey(HeaderKey):
    """The key of a time span."""

    unit: Literal["s", "ms", "us"] = Field("ms", description="Unit of its number.")


class PeriodKey(HeaderKey):
    """The key of a period, or of a rate, which is a period turned over."""

    unit: Literal["s", "ms", "us", "Hz"] = Field("ms", description="Unit of its number.")


class TemperatureKey(HeaderKey):
    """The key of a temperature."""

    unit: Literal["degC", "K"] = Field("degC", description="Unit of its number.")


class TimeKey(HeaderKey):
    """The key of a point in time."""

    unit: TimeForm = Field("iso", description="Form of its time, as a table's.")
    zone: Zone = Field(None, description="Offset from UTC of an ISO time that names none.")


def _key(value: object) -> object:
    if not isinstance(value, str | dict | HeaderKey):
        raise ValueError(
            f"expected a header's key in quotes, or {{ key, unit }}; got {shown(value)}"
        )
    return {"key": value} if isinstance(value, str) else value


_Key = BeforeValidator(_key)


class HeaderKeys(Model):
    """Other header keys for the capture settings: a key, or { key, unit }."""

    exposure_time: Annotated[DurationKey, _Key] = Field(
        DurationKey(key="exposure time"),
        alias="exposure time",
        description='Header key of the exposure; { key = "shutter", unit = "us" } for s, ms or us.',
    )
    frame_period: Annotated[PeriodKey, _Key] = Field(
        PeriodKey(key="frame period"),
        alias="frame period",
        description="Header key of the time from line to line; unit s, ms, us, or Hz for a rate.",
    )
    gain: Annotated[HeaderKey, _Key] = Field(
        HeaderKey(key="gain"), description="Header key of the gain."
    )
    sensor_temperature: Annotated[TemperatureKey, _Key] = Field(
        TemperatureKey(key="sensor temperature"),
        alias="sensor temperature",
        description="Header key of the sensor's temperature; unit degC or K.",
    )
    acquisition_start: Annotated[TimeKey, _Key] = Field(
        TimeKey(key="acquisition start"),
        alias="acquisition start",
        description="Header key of the first line's time; unit as a table's `time`, and `zone`.",
    )
    serial_number: Annotated[HeaderKey, _Key] = Field(
        HeaderKey(key="serial number"),
        alias="serial number",
        description="Header key of the camera's serial number.",
    )


class FixedSettings(Model):
    """Capture settings of headers that do not state them."""

    exposure_time: Number | None = Field(
        None, alias="exposure time", gt=0, description="Exposure, ms."
    )
    frame_period: Number | None = Field(
        None, alias="frame period", gt=0, description="Time from line to line, ms."
    )
    gain: Number | None = Field(None, description="Gain.")
    sensor_temperature: Number | None = Field(
        None, alias="sensor temperature", description="The sensor's temperature, deg C."
    )
    serial_number: str | None = Field(
        None, alias="serial number", min_length=1, description="The camera's serial number."
    )


class Sensor(Model):
    """The camera."""

    full_scale_counts: Number = Field(4095, gt=0, description="Largest count the camera can give.")
    saturation_counts: Number = Field(
        4000, gt=0, description="Counts from here on are flagged saturated."
    )
    linearity: Path | None = Field(
        None, description="CSV `counts,linear_counts` of a detector that is not linear."
    )
    electrons_per_count: Number | None = Field(
        None, gt=0, description="Overall system gain K; by photon transfer where absent."
    )
    ifov_mrad: Number | None = Field(
        None, gt=0, description="Field of view of one sample, for positions."
    )
    first_sample: Literal["left", "right"] = Field(
        "left", description="Side of the heading that the first sample looks to."
    )
    boresight_deg: tuple[Number, Number, Number] = Field(
        (0.0, 0.0, 0.0),
        description="Roll, pitch and heading of the camera in the aircraft's axes, degrees.",
    )
    wavelength_nm: tuple[Number, ...] | None = Field(
        None, description="Band centres in the files' order; they hold whatever the headers say."
    )
    fwhm_nm: Numbers = Field(
        None, description="Band widths, one or one a band; they hold whatever the headers say."
    )
    header_keys: HeaderKeys = HeaderKeys()
    settings: FixedSettings = FixedSettings()

    @model_validator(mode="after")
    def _saturation_below_full_scale(self) -> Self:
        if self.saturation_counts > self.full_scale_counts:
            raise ValueError(
                f"saturation_counts {self.saturation_counts:g} is above "
                f"full_scale_counts {self.full_scale_counts:g}"
            )
        return self
