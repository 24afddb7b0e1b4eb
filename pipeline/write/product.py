"""A calibrated cube before it meets a file format: small variables whole, large ones described."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.radiometry.equation import TERMS, Term
from pipeline.radiometry.kernel import CalibratedBlock
from pipeline.records import Capture
from pipeline.write.schema import AUXILIARY, DIMENSIONS, LARGE, SCHEMA, Attributes, Dimensions

#: Bytes of raw counts that a block may have; blocks bound the memory of a run.
BLOCK_BYTES = 24 * 2**20
#: Lines of a chunk, and so of a block, at the most.
CHUNK_LINES = 64


@dataclass(frozen=True, eq=False)
class CubeProduct:
    """What a cube file holds, but for the samples themselves; `values` are the small variables'."""

    name: str
    bands: int
    lines: int
    samples: int
    chunk: tuple[int, int, int]  # (band, line, sample)
    uncertainty: bool
    values: dict[str, NDArray[Any]]
    attributes: Attributes
    terms: Mapping[str, Term] = field(default_factory=dict)  # other than the equation has them

    @property
    def sizes(self) -> dict[str, int]:
        """Sizes of the dimensions."""
        return dict(zip(DIMENSIONS, (self.bands, self.lines, self.samples), strict=True))

    @property
    def packed(self) -> dict[str, np.dtype[Any]]:
        """Names and types of the variables with a value for each sample."""
        left_out = () if self.uncertainty else ("reflectance_uncertainty",)
        return {name: SCHEMA[name].dtype for name in LARGE if name not in left_out}

    def dimensions_of(self, name: str) -> Dimensions:
        """The dimensions of a small variable."""
        return SCHEMA[name].dimensions_of(self.values[name].shape, self.sizes)

    def attributes_of(self, name: str) -> Attributes:
        """The attributes of a variable, told which auxiliary coordinates and masks exist."""
        attributes = SCHEMA[name].attributes({**TERMS, **self.terms})
        if name in LARGE:
            auxiliary = [n for n in AUXILIARY if n in self.values]
            if auxiliary:
                attributes["coordinates"] = " ".join(auxiliary)
        if name == "reflectance":
            there = [n for n in self.packed if n != "reflectance"]
            attributes["ancillary_variables"] = " ".join(there)
        if name in ("latitude", "longitude"):
            attributes["comment"] = self.attributes.get("position_accuracy", "")
        return attributes


def arrays_of(block: CalibratedBlock) -> dict[str, NDArray[Any]]:
    """A block's arrays by the names of their variables."""
    arrays: dict[str, NDArray[Any]] = {"reflectance": block.reflectance}
    if block.uncertainty is not None:
        arrays["reflectance_uncertainty"] = block.uncertainty
    arrays["quality_flag"] = block.flags
    return arrays


def chunk_shape(bands: int, lines: int, samples: int, itemsize: int) -> tuple[int, int, int]:
    """Chunks of about a tenth of the bands, up to 64 lines, all samples.

    The lines are fewer where 64 lines of raw counts would exceed `BLOCK_BYTES`.
    """
    fitting = max(BLOCK_BYTES // max(bands * samples * itemsize, 1), 1)
    return (max(-(-bands // 10), 1), min(CHUNK_LINES, fitting, lines), samples)


def cube_product(
    capture: Capture,
    values: Mapping[str, NDArray[Any]],
    *,
    uncertainty: bool,
    attributes: Attributes,
    terms: Mapping[str, Term] | None = None,
) -> CubeProduct:
    """A cube's product from its small variables' values, by name.

    `terms` are those of the measurement equation whose errors go together otherwise here.

    ValueError where the values are not what the schema says: a name, a type, a shape, or one of
    the variables that every file has.
    """
    product = CubeProduct(
        name=capture.name,
        bands=capture.wavelength_nm.size,
        lines=capture.lines,
        samples=capture.samples,
        chunk=chunk_shape(capture.bands, capture.lines, capture.samples, capture.itemsize),
        uncertainty=uncertainty,
        values=dict(values),
        attributes=attributes,
        terms=dict(terms or {}),
    )
    unlike = {row.name for row in SCHEMA.values() if not row.optional} - {*LARGE, *values}
    unlike |= values.keys() - (SCHEMA.keys() - {*LARGE})
    if unlike:
        raise ValueError(f"missing or not in the schema: {', '.join(sorted(unlike))}")
    for name, array in values.items():
        if array.dtype != SCHEMA[name].dtype:
            raise ValueError(f"{name} has type {array.dtype}, expected {SCHEMA[name].dtype}")
        product.dimensions_of(name)
    return product


def output_bytes(capture: Capture, uncertainty: bool) -> int:
    """Bytes that a cube's file may need: its samples without compression."""
    itemsizes = {name: SCHEMA[name].dtype.itemsize for name in LARGE}
    each = sum(itemsizes.values()) - (0 if uncertainty else itemsizes["reflectance_uncertainty"])
    return capture.lines * capture.bands * capture.samples * each
