"""A reference panel: its certificates, and where it is seen."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated, Literal

from pydantic import (
    BeforeValidator,
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    model_validator,
)

from pipeline.config.complaint import shown
from pipeline.config.dated_certificates import DatedCertificate, dated_certificates
from pipeline.config.model import NAME, Date, Model, Number, Span


class Window(Model):
    """A panel's place in a cube, half-open."""

    cube: str = Field(description="In a window: the stem of the cube that shows the panel.")
    lines: Span = Field(description="In a window: [start, stop], from 0, the stop not included.")
    samples: Span = Field(description="In a window: the same across the swath.")


class Region(Model):
    """A panel's place as a named polygon; the track leads to it, the image refines it."""

    region: str = Field(
        description="Instead of a window: a polygon's name; the track leads to it, the image "
        "refines it."
    )


def _place(value: object) -> object:
    """Make every form of `where` a tuple of places, so that one message names what is allowed."""
    if value == "search":
        return ("search",)
    places = value if isinstance(value, list) else [value]
    made: list[Window | Region] = []
    for place in places:
        if isinstance(place, Window | Region):
            made.append(place)
        elif isinstance(place, dict) and "region" in place and "cube" not in place:
            made.append(Region.model_validate(place))
        elif isinstance(place, dict) and "cube" in place and "region" not in place:
            made.append(Window.model_validate(place))
        else:
            raise ValueError(
                'expected { cube, lines, samples }, { region }, a list of these, or "search"; '
                f"got {shown(place)}"
            )
    return tuple(made)


Places = Annotated[
    tuple[Literal["search"]] | tuple[Window | Region, ...],
    BeforeValidator(_place),
    Field(min_length=1),
]


class Panel(Model):
    """A reference panel and its certificate."""

    name: str = Field(
        pattern=NAME, description="Panel's name; the same name again is another pass."
    )
    certificate: Path = Field(
        description="CSV `wavelength_nm,reflectance,expanded_uncertainty`; or several with the "
        'days from which they hold, `[{ file = "a.csv", from = 2026-03-02 }, ...]`: the flight\'s '
        "day picks."
    )
    use: Literal["fit", "check"] = Field(
        "fit", description="A check panel is never fitted, it is predicted."
    )
    coverage_factor: Number = Field(
        2.0, gt=0, description="k of the certificate's expanded uncertainty."
    )
    measured: Date = Field(None, description="Date of the certificate's measurement.")
    where: Places = Field(
        description='Window, region, a list of them (repeated passes), or "search".'
    )
    _named: tuple[Path, ...] = PrivateAttr(())
    _dated: tuple[DatedCertificate, ...] = PrivateAttr(())

    @model_validator(mode="wrap")
    @classmethod
    def _one_of_several(cls, value: object, handler: ModelWrapValidatorHandler[Panel]) -> Panel:
        listed = value.get("certificate") if isinstance(value, dict) else None
        if not isinstance(value, dict) or not isinstance(listed, list | tuple):
            return handler(value)
        dated = dated_certificates(listed)
        if value.get("measured") is not None:
            raise ValueError("measured: leave it out, each certificate has its own day in from")
        panel = handler({**value, "certificate": str(dated[0].file)})
        return panel.with_dated(dated, tuple(one.file for one in dated))

    @property
    def dated(self) -> tuple[DatedCertificate, ...]:
        """Certificates of which the flight's day picks one; `certificate` is the first till then.

        Empty where there is no choice.
        """
        return self._dated

    @property
    def named(self) -> tuple[Path, ...]:
        """The files of `dated` as the config spells them."""
        return self._named

    def with_dated(self, dated: tuple[DatedCertificate, ...], named: tuple[Path, ...]) -> Panel:
        """The same panel with certificates to choose from."""
        made = self.model_copy(update={"certificate": dated[0].file})
        made._dated, made._named = dated, named
        return made

    def with_certificate(self, file: Path, measured: dt.date) -> Panel:
        """The same panel with one certificate."""
        made = self.model_copy(update={"certificate": file, "measured": measured})
        made._dated, made._named = (), ()
        return made
