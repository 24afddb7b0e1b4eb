"""The product's schema, once: every variable that a cube file may have (CF-1.11, ACDD-1.3).

Name, dimensions, stored type, unit, packing and meaning of each, and for a variable that carries
terms of uncertainty how their errors go together. Writers, the lazy dataset, `verify`, `compare`,
the budget and the exports take it from here, so that a new variable is a row here and a value
where a cube's values are gathered.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import IntFlag
from types import MappingProxyType
from typing import Any

import numpy as np

from pipeline import flags
from pipeline.radiometry.equation import TERMS, Term
from pipeline.radiometry.packing import REFLECTANCE, UNCERTAINTY, Packing

Attributes = dict[str, object]
Dimensions = tuple[str, ...]

#: Of the samples; GDAL shows the first as bands.
DIMENSIONS: Dimensions = ("wavelength", "line", "sample")
TIME_UNITS = "seconds since 1970-01-01T00:00:00Z"

_BAND: Dimensions = ("wavelength",)
_LINE: Dimensions = ("line",)
_ELEMENT: Dimensions = ("wavelength", "sample")
_PIXEL: Dimensions = ("line", "sample")

_FLOAT32, _FLOAT64, _UINT8 = (np.dtype(t) for t in (np.float32, np.float64, np.uint8))


@dataclass(frozen=True)
class Variable:
    """One variable of a cube file."""

    name: str
    dimensions: Dimensions
    long_name: str
    units: str | None = None  # None for a mask
    dtype: np.dtype[Any] = _FLOAT64  # as stored
    content: str = "auxiliaryInformation"  # ISO 19115-1, as ACDD wants it
    standard_name: str | None = None
    packing: Packing | None = None
    mask: type[IntFlag] | None = None
    #: Terms of `radiometry.equation` whose uncertainty this variable carries.
    terms: tuple[str, ...] = ()
    #: Other dimensions that it may have instead.
    otherwise: tuple[Dimensions, ...] = ()
    optional: bool = False
    more: Mapping[str, object] = field(default_factory=dict)

    @property
    def fill(self) -> object | None:
        """The value that stands for none, of the stored type; a mask or a coordinate has none."""
        if self.packing is not None:
            return self.dtype.type(self.packing.fill)  # type: ignore[no-any-return]
        coordinate = self.dimensions == (self.name,) or self.name == "time"
        return np.nan if self.dtype.kind == "f" and self.dimensions and not coordinate else None

    def attributes(self, terms: Mapping[str, Term] = TERMS) -> Attributes:
        """Its attributes, but for those that depend on which others a file has."""
        made: Attributes = {"long_name": self.long_name, "coverage_content_type": self.content}
        if self.standard_name is not None:
            made["standard_name"] = self.standard_name
        if self.units is not None:
            made["units"] = self.units
        if self.packing is not None:
            made["scale_factor"] = np.float32(self.packing.step)
            made["add_offset"] = np.float32(0)
        if self.mask is not None:
            made["flag_masks"] = np.array(flags.masks(self.mask), self.dtype)
            made["flag_meanings"] = flags.meanings(self.mask)
        return made | dict(self.more) | _of_terms({name: terms[name] for name in self.terms})

    def dimensions_of(self, shape: tuple[int, ...], sizes: Mapping[str, int]) -> Dimensions:
        """The dimensions that an array of this shape has; ValueError where it has none of its."""
        for dimensions in (self.dimensions, *self.otherwise):
            if shape == tuple(sizes[name] for name in dimensions):
                return dimensions
        wanted = " or ".join(str(d) for d in (self.dimensions, *self.otherwise))
        raise ValueError(f"{self.name} has shape {shape}, expected {wanted} of {dict(sizes)}")


def _of_terms(terms: Mapping[str, Term]) -> Attributes:
    """Which terms a variable carries, and how their errors go together where they do alike."""
    if not terms:
        return {}
    made: Attributes = {"uncertainty_terms": " ".join(terms)}
    for axis in ("line", "sample", "band"):
        along = {getattr(term, axis) for term in terms.values()}
        if len(along) == 1:
            made[f"correlation_{axis}"] = along.pop()
    return made


def _table(rows: Iterable[Variable]) -> Mapping[str, Variable]:
    return MappingProxyType({row.name: row for row in rows})


_OF_FIT = ("panel_certificate", "panel_scatter", "fit")

SCHEMA: Mapping[str, Variable] = _table(
    [
        Variable(
            "reflectance",
            DIMENSIONS,
            "hemispherical-conical reflectance factor",
            "1",
            dtype=REFLECTANCE.dtype,
            content="physicalMeasurement",
            standard_name="surface_bidirectional_reflectance",
            packing=REFLECTANCE,
            more={
                "comment": "Relative to reference panels under the same sky. Not clipped: noise "
                "has a sign. Blank where quality_flag has a bit of the attribute blank_flags, and "
                "where the value itself is beyond_packing.",
                "references": "Schaepman-Strub et al. 2006, doi 10.1016/j.rse.2006.03.002",
            },
        ),
        Variable(
            "reflectance_uncertainty",
            DIMENSIONS,
            "combined standard uncertainty of the reflectance factor (k = 1)",
            "1",
            dtype=UNCERTAINTY.dtype,
            content="qualityInformation",
            standard_name="surface_bidirectional_reflectance standard_error",
            packing=UNCERTAINTY,
            terms=tuple(TERMS),
            optional=True,
            more={
                "comment": "Rounded to two significant digits; "
                f"{UNCERTAINTY.largest * UNCERTAINTY.step:g} with beyond_packing stands for more. "
                "By the law of propagation, JCGM 100:2008.",
            },
        ),
        Variable(
            "quality_flag",
            DIMENSIONS,
            "quality of each sample",
            dtype=_UINT8,
            content="qualityInformation",
            standard_name="quality_flag",
            mask=flags.QualityFlag,
        ),
        Variable(
            "line_flag",
            _LINE,
            "quality of each line",
            dtype=_UINT8,
            content="qualityInformation",
            standard_name="quality_flag",
            mask=flags.LineFlag,
        ),
        Variable(
            "wavelength",
            _BAND,
            "band centre",
            "nm",
            content="coordinate",
            standard_name="radiation_wavelength",
        ),
        Variable("fwhm", _BAND, "full width at half maximum of the band's response", "nm"),
        Variable(
            "time",
            _LINE,
            "time of the line",
            TIME_UNITS,
            content="coordinate",
            standard_name="time",
            optional=True,
            # UTC as POSIX counts it: no leap second is part of the count.
            more={"calendar": "standard", "units_metadata": "leap_seconds: none"},
        ),
        Variable(
            "latitude",
            _PIXEL,
            "latitude of the sample on flat ground",
            "degrees_north",
            content="coordinate",
            standard_name="latitude",
            optional=True,
        ),
        Variable(
            "longitude",
            _PIXEL,
            "longitude of the sample on flat ground",
            "degrees_east",
            content="coordinate",
            standard_name="longitude",
            optional=True,
        ),
        # In plain degrees: CF would take degrees north for a coordinate, and a file has one.
        *(
            Variable(f"camera_{what}", _LINE, f"{what} of the camera{more}", unit, optional=True)
            for what, more, unit in (
                ("latitude", ", north positive", "degree"),
                ("longitude", ", east positive", "degree"),
                ("height", " above the ground", "m"),
            )
        ),
        Variable(
            "irradiance_ratio",
            _LINE,
            "irradiance at the line's time over irradiance at the panels' time",
            "1",
            otherwise=(("wavelength", "line"),),
        ),
        Variable(
            "irradiance_ratio_uncertainty",
            _LINE,
            "standard uncertainty of irradiance_ratio (k = 1)",
            "1",
            terms=("illumination",),
            otherwise=(("wavelength", "line"),),
        ),
        Variable(
            "empirical_gain",
            _BAND,
            "gain of the empirical line: reflectance = offset + gain x signal / irradiance_ratio",
            "count-1",
        ),
        Variable("empirical_offset", _BAND, "offset of the empirical line", "1"),
        Variable(
            "empirical_gain_uncertainty",
            _BAND,
            "standard uncertainty of empirical_gain",
            "count-1",
            terms=_OF_FIT,
        ),
        Variable(
            "empirical_offset_uncertainty",
            _BAND,
            "standard uncertainty of empirical_offset",
            "1",
            terms=_OF_FIT,
        ),
        Variable(
            "empirical_gain_offset_covariance",
            _BAND,
            "covariance of empirical_gain and empirical_offset",
            "count-1",
            terms=_OF_FIT,
        ),
        *(
            Variable(f"{part}_{quantity}", _BAND, f"{what} from {source}", unit, terms=(term,))
            for part, term, source in (
                ("certificate", "panel_certificate", "the certificates"),
                ("scatter", "panel_scatter", "the panels' signals"),
            )
            for quantity, what, unit in (
                ("gain_variance", "part of the variance of empirical_gain", "count-2"),
                ("offset_variance", "part of the variance of empirical_offset", "1"),
                ("covariance", "part of empirical_gain_offset_covariance", "count-1"),
            )
        ),
        Variable(
            "panel_reflectance_low", _BAND, "smallest reflectance among the fit's panels", "1"
        ),
        Variable(
            "panel_reflectance_high", _BAND, "largest reflectance among the fit's panels", "1"
        ),
        Variable(
            "dark_mean",
            _ELEMENT,
            "mean dark signal at the middle of the cube",
            "count",
            dtype=_FLOAT32,
        ),
        Variable(
            "dark_mean_uncertainty",
            _ELEMENT,
            "standard uncertainty of dark_mean (k = 1)",
            "count",
            dtype=_FLOAT32,
            terms=("dark",),
        ),
        Variable(
            "dark_change",
            _ELEMENT,
            "change of the mean dark signal between the captures before and after",
            "count",
            dtype=_FLOAT32,
        ),
        Variable(
            "dark_weight",
            _LINE,
            "dark signal of a line = dark_mean + dark_weight x dark_change",
            "1",
            dtype=_FLOAT32,
        ),
        Variable(
            "dark_noise",
            _ELEMENT,
            "temporal standard deviation of the dark signal",
            "count",
            dtype=_FLOAT32,
            terms=("read_noise",),
        ),
        Variable(
            "relative_response",
            _ELEMENT,
            "response of the element over the mean of its band (flat)",
            "1",
            dtype=_FLOAT32,
        ),
        Variable(
            "relative_response_uncertainty",
            _ELEMENT,
            "standard uncertainty of relative_response (k = 1)",
            "1",
            dtype=_FLOAT32,
            terms=("relative_response",),
        ),
        Variable(
            "electrons_per_count", (), "overall system gain", "count-1", terms=("shot_noise",)
        ),
    ]
)


def terms_in(attributes: Mapping[str, Mapping[str, object]]) -> dict[str, Term]:
    """The equation's terms as the variables of a file, by name, say that their errors go together.

    Where a file does not say it, as one of an earlier version, the equation's own.
    """
    terms = dict(TERMS)
    for row in SCHEMA.values():
        if len(row.terms) == 1:
            stated = attributes.get(row.name, {})
            said = {axis: stated.get(f"correlation_{axis}") for axis in ("line", "sample", "band")}
            known = {k: v for k, v in said.items() if v in ("independent", "common")}
            terms[row.terms[0]] = replace(terms[row.terms[0]], **known)  # type: ignore[arg-type]
    return terms


#: Variables with a value for each sample, in order; the rest are small.
LARGE = tuple(name for name, row in SCHEMA.items() if row.dimensions == DIMENSIONS)
#: Auxiliary coordinates of the large ones (CF-1.11, 5), where a file has them.
AUXILIARY = ("time", "latitude", "longitude")
