"""What a run knows of the camera and the panels, for comparison from flight to flight."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from pydantic import Field

from pipeline.records import Mask
from pipeline.write.field_types import Count, Day, Moment, Sha256

#: Element numbers and runs of them, such as `17 203-209`.
Elements = Annotated[str, Field(pattern=r"^([0-9]{1,12}(-[0-9]{1,12})?( |$))*$")]


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """A value with its standard uncertainty of what differs from flight to flight.

    None where it is not known.
    """

    value: float | None
    uncertainty: float | None = None


@dataclass(frozen=True, kw_only=True)
class Camera:
    """What tells one camera from another, and how it was set."""

    serial_number: str = ""  # empty where nobody states it
    bands: Count
    samples: Count
    first_nm: float
    last_nm: float
    wavelengths: str  # digest of all band centres
    exposure_ms: float | None
    gain: float | None


@dataclass(frozen=True, kw_only=True)
class PanelQuantity:
    """What a panel says of the light and the camera (`radiometry.panels.agreement`) [1]."""

    panel: str
    level: Quantity
    certificate: str  # the file, as the run's inputs name it
    certificate_sha256: Sha256 | None
    measured: Day | None


@dataclass(frozen=True, kw_only=True)
class Quantities:
    """The quantities of a flight."""

    flown: Moment | None
    camera: Camera
    dark_level: Quantity  # [count], mean over the elements that measure
    dark_noise: Quantity  # [count], median over them of the standard deviation of one frame
    bad_elements: Quantity  # number of them
    which_bad: Elements  # by band x samples + sample
    electrons_per_count: Quantity  # overall system gain by photon transfer
    wavelength_shift: Quantity  # [nm], of the O2-A dip
    smile: Quantity  # [nm], its range across the samples
    falloff: Quantity  # [1], response at the swath's ends over its middle, less 1
    sensor_temperature: Quantity  # [deg C], over the cubes
    panels: tuple[PanelQuantity, ...]


def elements_text(bad: Mask) -> str:
    """Numbers of the elements that are set, runs of neighbours as `first-last`."""
    flat = np.concatenate([[False], np.asarray(bad).ravel(), [False]])
    edges = np.flatnonzero(flat[1:] != flat[:-1]).tolist()
    runs = zip(edges[::2], edges[1::2], strict=True)
    return " ".join(f"{a}" if b == a + 1 else f"{a}-{b - 1}" for a, b in runs)


def element_runs(text: str) -> Iterator[range]:
    """The runs that `elements_text` wrote."""
    for part in text.split():
        first, _, last = part.partition("-")
        yield range(int(first), int(last or first) + 1)
