"""What a run knows of the camera and the panels, for comparison from flight to flight."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np
from pydantic import Field

from pipeline.records import Mask
from pipeline.write.field_types import Count, Day, Moment, Sha256

#: Element numbers and runs of them, such as `17 203-209`.
Elements = Annotated[str, Field(pattern=r"^([0-9]{1,12}(-[0-9]{1,12})?( |$))*$")]
#: Magnitude beyond which a number is no measurement: the arithmetic of charts has room above it.
MOST: Final = 1e15
Value = Annotated[float, Field(ge=-MOST, le=MOST)]


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """A value with its standard uncertainty of what differs from flight to flight.

    None where it is not known.
    """

    value: Value | None
    uncertainty: Annotated[float, Field(ge=0, le=MOST)] | None = None


@dataclass(frozen=True, kw_only=True)
class Camera:
    """What tells one camera from another, and how it was set."""

    serial_number: str = ""  # empty where nobody states it
    bands: Count
    samples: Count
    first_nm: float
    last_nm: float
    wavelengths: str  # digest of all band centres
    exposure_ms: Value | None
    gain: Value | None


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
    return runs_text(range(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True))


def element_runs(text: str) -> Iterator[range]:
    """The runs that `elements_text` wrote."""
    for part in text.split():
        first, _, last = part.partition("-")
        yield range(int(first), int(last or first) + 1)


def runs_without(runs: Iterable[range], others: Iterable[range]) -> list[range]:
    """The parts of runs that no other run holds, in order; never an element by itself.

    What is read back may name more elements than fit into any memory.
    """
    away = merged(others)
    left: list[range] = []
    k = 0
    for run in merged(runs):
        start = run.start
        while k < len(away) and away[k].stop <= start:
            k += 1
        at = k
        while at < len(away) and away[at].start < run.stop:
            if away[at].start > start:
                left.append(range(start, away[at].start))
            start = away[at].stop
            at += 1
        if start < run.stop:
            left.append(range(start, run.stop))
    return left


def merged(runs: Iterable[range]) -> list[range]:
    """The same elements in runs that neither touch nor overlap, in order."""
    made: list[range] = []
    for run in sorted(runs, key=lambda run: run.start):
        if made and run.start <= made[-1].stop:
            made[-1] = range(made[-1].start, max(made[-1].stop, run.stop))
        elif run.stop > run.start:
            made.append(run)
    return made


def runs_text(runs: Iterable[range]) -> str:
    """Runs as `element_runs` reads them."""
    return " ".join(f"{r.start}" if len(r) == 1 else f"{r.start}-{r.stop - 1}" for r in runs)
