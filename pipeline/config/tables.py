"""The config's `[tables]`: how the tables beside the cubes are written, in their own words."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from pipeline.config.model import Model, Number

#: How a time is written; the seconds are UTC's (POSIX) but for "gps s", which counts leap seconds.
TimeForm = Literal["iso", "unix s", "unix ms", "unix us", "gps s"]


def _zone(text: str | None) -> str | None:
    # A name such as Europe/Berlin would be two times at once when summer ends.
    if text is not None and not re.fullmatch(r"UTC|Z|[+-](0[0-9]|1[0-4]):[0-5][0-9]", text):
        raise ValueError('expected an offset from UTC such as "+02:00", or "UTC"')
    return text


Zone = Annotated[str | None, AfterValidator(_zone)]


class Table(Model):
    """How one kind of table is written."""

    decimal: Literal[".", ","] | None = Field(
        None, description="Decimal sign of its numbers; found by itself where absent."
    )
    delimiter: Literal[",", ";", "\t", "|", " "] | None = Field(
        None, description="What stands between its cells; found by itself where absent."
    )


class TimedTable(Table):
    """How a table with times is written."""

    time: TimeForm = Field(
        "iso",
        description='Form of its times: "iso", "unix s", "unix ms", "unix us", or "gps s", seconds '
        "of GPS time since 1980.",
    )
    zone: Zone = Field(
        None,
        description='Offset from UTC, "+02:00", of ISO times that name none; UTC where absent.',
    )
    offset_s: Number = Field(0.0, description="Added to every time: a clock known to be off.")


class TrackTable(TimedTable):
    """How the track is written."""

    columns: dict[
        Literal[
            "time_utc",
            "latitude",
            "longitude",
            "height_m",
            "roll_deg",
            "pitch_deg",
            "heading_deg",
        ],
        str,
    ] = Field(default_factory=dict, description="Our name of a column to the table's own.")
    angle: Literal["deg", "rad"] = Field("deg", description="Unit of all its angles.")
    ground_m: Number | None = Field(
        None, description="Height of the ground, where the track's heights are above sea level."
    )


class IrradianceTable(TimedTable):
    """How the irradiance log is written."""

    columns: dict[Literal["time_utc", "irradiance"], str] = Field(
        default_factory=dict, description="Our name of a column to the table's own."
    )


class LineTimesTable(TimedTable):
    """How the line times are written."""

    columns: dict[Literal["line", "time_utc"], str] = Field(
        default_factory=dict, description="Our name of a column to the table's own."
    )


class CertificateTable(Table):
    """How the panels' certificates are written."""

    columns: dict[Literal["wavelength_nm", "reflectance", "expanded_uncertainty"], str] = Field(
        default_factory=dict, description="Our name of a column to the table's own."
    )
    scale: Number = Field(
        1.0, gt=0, description="Makes reflectance and uncertainty fractions: 0.01 for percent."
    )


class Tables(Model):
    """How the tables beside the cubes are written."""

    track: TrackTable = TrackTable()
    irradiance: IrradianceTable = IrradianceTable()
    line_times: LineTimesTable = LineTimesTable()
    certificate: CertificateTable = CertificateTable()


#: Tables that are written as this program would write them.
AS_OURS = Tables()
