"""A new flight against the record of those before it, for the rows of its run."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from pipeline.campaign.alarms import sentence
from pipeline.campaign.camera_record import QuantityChart, camera_key, camera_records
from pipeline.campaign.past_runs import PastFlight, Reader
from pipeline.config.flight import Config
from pipeline.errors import InputError
from pipeline.flight.run_folders import flight_folder
from pipeline.radiometry.checks.past_flights import Comparison
from pipeline.write.attributes import now_utc
from pipeline.write.quantities import Quantities


def against_record(
    results: Path, reader: Reader
) -> Callable[[Config, Quantities], tuple[Comparison, Comparison]]:
    """What compares a flight with the finished ones below `results`: its camera, its panels.

    An earlier run of the same flight is no other flight, and of the rest those count that were
    flown before: what came later does not change what is said of it.
    """

    def compared(config: Config, quantities: Quantities) -> tuple[Comparison, Comparison]:
        name, folder = config.flight.name, flight_folder(config)
        new = PastFlight(name, folder, now_utc(), quantities)
        before = _before(new, _flights(results, reader))
        (camera,) = camera_records([*before, new])
        of_camera = [chart for chart in camera.charts if not chart.of_panel]
        of_panels = [chart for chart in camera.charts if chart.of_panel]
        return _last(of_camera, len(before), name), _last(of_panels, len(before), name)

    return compared


def _flights(results: Path, reader: Reader) -> Sequence[PastFlight]:
    try:
        return reader.below(results).flights
    except InputError:  # there are no results yet
        return ()


def _before(new: PastFlight, flights: Sequence[PastFlight]) -> list[PastFlight]:
    """The flights of the same camera before a new one; its own earlier runs are not among them."""
    camera, own = camera_key(new.quantities.camera), new.run.resolve()
    return [
        flight
        for flight in flights
        if camera_key(flight.quantities.camera) == camera
        and flight.run.parent.resolve() != own
        and flight.moment <= new.moment
    ]


def _last(charts: Sequence[QuantityChart], before: int, name: str) -> Comparison:
    """The charts' last flight, which is the new one."""
    judged, outside = 0, {}
    for chart in charts:
        if not np.isfinite(chart.chart.half_width[-1]):
            continue
        judged += 1
        if chart.chart.broken[-1]:
            unit = "" if chart.of_panel else chart.unit
            last = len(chart.values) - 1
            outside[chart.name] = sentence(chart.name, unit, name, last, chart.judged, chart.chart)
    return Comparison(before, judged, outside)
