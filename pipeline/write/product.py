"""A calibrated cube before it meets a file format: small variables whole, large ones described."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.records import (
    Array32,
    Capture,
    EmpiricalLine,
    FlatField,
    Illumination,
    LineTimes,
)
from pipeline.write.attributes import FILLS, VARIABLES, Attributes

#: Bytes of raw counts that a block may have; blocks bound the memory of a run.
BLOCK_BYTES = 24 * 2**20
#: Lines of a chunk, and so of a block, at the most.
CHUNK_LINES = 64


@dataclass(frozen=True, eq=False)
class Variable:
    """A small variable: its dimensions and values."""

    dimensions: tuple[str, ...]
    values: NDArray[Any]


@dataclass(frozen=True, eq=False)
class CubeProduct:
    """What a cube file holds, but for the samples themselves."""

    name: str
    bands: int
    lines: int
    samples: int
    chunk: tuple[int, int, int]  # (band, line, sample)
    uncertainty: bool
    variables: dict[str, Variable]
    attributes: Attributes

    @property
    def packed(self) -> dict[str, np.dtype[Any]]:
        """Names and types of the variables with a value for each sample."""
        kinds: dict[str, np.dtype[Any]] = {"reflectance": np.dtype(np.int16)}
        if self.uncertainty:
            kinds["reflectance_uncertainty"] = np.dtype(np.uint16)
        kinds["quality_flag"] = np.dtype(np.uint8)
        return kinds

    def attributes_of(self, name: str) -> Attributes:
        """The attributes of a variable, told which auxiliary coordinates and masks exist."""
        attributes = dict(VARIABLES[name])
        if name in self.packed:
            auxiliary = [n for n in ("time", "latitude", "longitude") if n in self.variables]
            if auxiliary:
                attributes["coordinates"] = " ".join(auxiliary)
        if name == "reflectance":
            there = [n for n in self.packed if n != "reflectance"]
            attributes["ancillary_variables"] = " ".join(there)
        if name in ("latitude", "longitude"):
            attributes["comment"] = self.attributes.get("position_accuracy", "")
        return attributes

    def fill_of(self, name: str) -> object | None:
        """The fill value of a variable, or None where it has none."""
        return FILLS.get(name)


def chunk_shape(bands: int, lines: int, samples: int, itemsize: int) -> tuple[int, int, int]:
    """Chunks of about a tenth of the bands, up to 64 lines, all samples.

    The lines are fewer where 64 lines of raw counts would exceed `BLOCK_BYTES`.
    """
    fitting = max(BLOCK_BYTES // max(bands * samples * itemsize, 1), 1)
    return (max(-(-bands // 10), 1), min(CHUNK_LINES, fitting, lines), samples)


def cube_product(
    capture: Capture,
    times: LineTimes,
    *,
    dark_mean: Array32,
    dark_uncertainty: Array32,
    dark_change: Array32,
    dark_weight: Array32,
    dark_noise: Array32,
    flat: FlatField,
    line: EmpiricalLine,
    illumination: Illumination,
    line_flag: NDArray[np.uint8],
    electrons_per_count: float,
    uncertainty: bool,
    positions: tuple[NDArray[np.float64], NDArray[np.float64]] | None,
    attributes: Attributes,
) -> CubeProduct:
    """Gather a cube's small variables under their names.

    `dark_mean` is the dark signal at the middle of the cube; a line's is
    `dark_mean + dark_weight * dark_change`.
    """
    element, band = ("wavelength", "sample"), ("wavelength",)
    variables = {
        "wavelength": Variable(band, capture.wavelength_nm),
        "fwhm": Variable(band, capture.fwhm_nm),
        "line_flag": Variable(("line",), line_flag),
        "irradiance_ratio": Variable(("line",), illumination.ratio),
        "irradiance_ratio_uncertainty": Variable(("line",), illumination.uncertainty),
        "empirical_gain": Variable(band, line.gain),
        "empirical_offset": Variable(band, line.offset),
        "empirical_gain_uncertainty": Variable(band, np.sqrt(line.gain_variance)),
        "empirical_offset_uncertainty": Variable(band, np.sqrt(line.offset_variance)),
        "empirical_gain_offset_covariance": Variable(band, line.covariance),
        "certificate_gain_variance": Variable(band, line.certificate_gain_variance),
        "certificate_offset_variance": Variable(band, line.certificate_offset_variance),
        "certificate_covariance": Variable(band, line.certificate_covariance),
        "scatter_gain_variance": Variable(band, line.scatter_gain_variance),
        "scatter_offset_variance": Variable(band, line.scatter_offset_variance),
        "scatter_covariance": Variable(band, line.scatter_covariance),
        "panel_reflectance_low": Variable(band, line.low),
        "panel_reflectance_high": Variable(band, line.high),
        "dark_mean": Variable(element, dark_mean),
        "dark_mean_uncertainty": Variable(element, dark_uncertainty),
        "dark_change": Variable(element, dark_change),
        "dark_weight": Variable(("line",), dark_weight),
        "dark_noise": Variable(element, dark_noise),
        "relative_response": Variable(element, flat.response),
        "relative_response_uncertainty": Variable(element, flat.uncertainty),
        "electrons_per_count": Variable((), np.array(electrons_per_count, np.float64)),
    }
    if np.isfinite(times.time_s).all():
        variables["time"] = Variable(("line",), times.time_s)
    if positions is not None:
        variables["latitude"] = Variable(("line", "sample"), positions[0])
        variables["longitude"] = Variable(("line", "sample"), positions[1])
    return CubeProduct(
        name=capture.name,
        bands=capture.wavelength_nm.size,
        lines=capture.lines,
        samples=capture.samples,
        chunk=chunk_shape(capture.bands, capture.lines, capture.samples, capture.dtype.itemsize),
        uncertainty=uncertainty,
        variables=variables,
        attributes=attributes,
    )


def output_bytes(capture: Capture, uncertainty: bool) -> int:
    """Bytes that a cube's file may need: its samples without compression."""
    return capture.lines * capture.bands * capture.samples * (5 if uncertainty else 3)
