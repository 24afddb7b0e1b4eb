"""What is known of a flight before any of its cubes is calibrated."""

from __future__ import annotations

from pipeline.assess.flight_checks import before_cubes
from pipeline.assess.spectrum_checks import dips_of
from pipeline.calibrate.prepare import Preparation
from pipeline.flight.quantities_of import quantities_of
from pipeline.records import Check
from pipeline.write.quantities import Quantities


def known_before(prepared: Preparation) -> tuple[list[Check], Quantities]:
    """The checks that need no calibrated cube, and the quantities for the record over flights."""
    dips = dips_of(prepared.recording.cubes[0], prepared.measured)
    return before_cubes(prepared, dips), quantities_of(prepared, dips)
