"""A camera and its panels over all their flights: each quantity in a control chart, judged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np

from pipeline.campaign.alarms import Alarm, alarms_of
from pipeline.campaign.past_runs import PastFlight
from pipeline.radiometry.control_charts import BASELINE, ControlChart, control_chart
from pipeline.radiometry.dark_current import dark_current_effect
from pipeline.radiometry.panels.agreement import panel_record
from pipeline.records import Array
from pipeline.write.quantities import (
    Camera,
    PanelQuantity,
    Quantity,
    element_runs,
    merged,
    runs_without,
)


class Kind(NamedTuple):
    """A quantity of the camera."""

    key: str  # in `Quantities`
    name: str
    unit: str
    least: float = 0.0  # standard deviation below which the first flights' scatter is not believed
    by_gain: bool = False  # it depends on the gain setting: flights at others are not compared


#: A dark that wanders by a tenth of a count, a noise by half a hundredth of one, an element that
#: is bad now and then, a falloff known to a third of a percent: less than that is chance of what
#: was measured and no property of the camera (own arithmetic, over simulated flights).
KINDS: Final = (
    Kind("dark_level", "dark level", "count", 0.1, by_gain=True),
    Kind("dark_noise", "dark noise", "count", 0.005, by_gain=True),
    Kind("bad_elements", "bad elements", "element", 1.0),
    Kind("electrons_per_count", "overall system gain", "electron/count", by_gain=True),
    Kind("wavelength_shift", "wavelength shift", "nm"),
    Kind("smile", "smile", "nm"),
    Kind("falloff", "response falloff", "1", 0.003),
)
TEMPERATURE: Final = Kind("sensor_temperature", "sensor temperature", "deg C")
#: Temperatures that a sensor at work can have: a header may hold anything under that name.
COLDEST_C, HOTTEST_C = -273.15, 300.0
#: Logarithm of a panel's level beyond which it is no panel's: e^20 times the others.
MOST_LEVEL: Final = 20.0


@dataclass(frozen=True, eq=False)
class QuantityChart:
    """A quantity over the camera's flights. Arrays are (flight,), NaN where a flight is silent."""

    name: str
    unit: str
    values: Array  # as the flights told, for panels the departure from what the others predict
    uncertainties: Array
    judged: Array  # what is compared: without what the temperature accounts for
    chart: ControlChart
    alarms: tuple[Alarm, ...]
    of_panel: bool = False
    is_judged: bool = True  # the sensor's temperature is the weather's: it is shown alone
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class CertificateChange:
    """A flight that is the first under another certificate of a panel."""

    at: int  # index of the flight
    flight: str
    before: PanelQuantity
    after: PanelQuantity

    @property
    def panel(self) -> str:
        """The panel's name."""
        return self.after.panel

    @property
    def says(self) -> str:
        """The change in a sentence."""
        return (
            f"Panel {self.panel} has a new certificate from {self.flight} on: "
            f"{_named(self.after)} after {_named(self.before)}."
        )


@dataclass(frozen=True, eq=False)
class CameraRecord:
    """A camera's flights in order of time, and its charts."""

    label: str
    flights: tuple[PastFlight, ...]
    charts: tuple[QuantityChart, ...]
    certificates: tuple[CertificateChange, ...]

    @cached_property
    def new_elements(self) -> tuple[tuple[range, ...], ...]:
        """Runs of elements bad in each flight and in none of the first ones; empty for those."""
        told = [list(element_runs(f.quantities.which_bad)) for f in self.flights]
        before = merged(run for runs in told[:BASELINE] for run in runs)
        return tuple(
            tuple(runs_without(runs, before)) if i >= BASELINE else ()
            for i, runs in enumerate(told)
        )


def camera_key(camera: Camera) -> tuple[object, ...]:
    """What tells cameras apart: the serial number, or the wavelengths where nobody states one.

    The shape belongs to it in either case: a binned camera has other elements.
    """
    told = camera.serial_number or camera.wavelengths
    return told, camera.bands, camera.samples


def camera_label(camera: Camera) -> str:
    """The camera in words."""
    shape = f"{camera.bands} bands x {camera.samples} samples"
    if camera.serial_number:
        return f"serial number {camera.serial_number}, {shape}"
    return f"{shape}, {camera.first_nm:g} to {camera.last_nm:g} nm"


def camera_records(flights: Sequence[PastFlight]) -> tuple[CameraRecord, ...]:
    """The record of each camera; `flights` in order of time."""
    cameras: dict[tuple[object, ...], list[PastFlight]] = {}
    for flight in flights:
        cameras.setdefault(camera_key(flight.quantities.camera), []).append(flight)
    labels = [camera_label(some[0].quantities.camera) for some in cameras.values()]
    return tuple(
        _camera_record(label if labels.count(label) == 1 else f"{label} ({key[0]})", some)
        for label, (key, some) in zip(labels, cameras.items(), strict=True)
    )


def _camera_record(label: str, flights: Sequence[PastFlight]) -> CameraRecord:
    charts = [chart for kind in KINDS for chart in _charts_of(kind, flights)]
    charts += _temperature(flights)
    panels, changes = _panels(flights)
    return CameraRecord(label, tuple(flights), (*charts, *panels), changes)


def _column(quantities: Sequence[Quantity | None]) -> tuple[Array, Array]:
    """Values and uncertainties, (flight,); NaN where not known."""
    pairs = [(None, None) if q is None else (q.value, q.uncertainty) for q in quantities]
    both = np.array([[math.nan if x is None else x for x in pair] for pair in pairs], np.float64)
    both = both.reshape(-1, 2)
    return both[:, 0], both[:, 1]


def _charts_of(kind: Kind, flights: Sequence[PastFlight]) -> list[QuantityChart]:
    """The quantity's chart, one for each gain setting where it depends on that."""
    gains = [f.quantities.camera.gain if kind.by_gain else None for f in flights]
    charts = []
    for gain in dict.fromkeys(gains):
        some = [
            getattr(f.quantities, kind.key) if g == gain else None
            for f, g in zip(flights, gains, strict=True)
        ]
        values, u = _column(some)
        if not np.isfinite(values).any():
            continue
        at_gain = f" at gain {gain:g}" if gain is not None and len(set(gains)) > 1 else ""
        charts.append(_chart(kind, f"{kind.name}{at_gain}", flights, values, u))
    return charts


def _chart(
    kind: Kind, name: str, flights: Sequence[PastFlight], values: Array, u: Array
) -> QuantityChart:
    judged, own = values, u
    notes: tuple[str, ...] = ()
    if kind.key == "dark_level":
        judged, own, notes = _without_temperature(flights, values, u)
    chart = control_chart(judged, own, least=kind.least)
    names = [f.flight for f in flights]
    return QuantityChart(
        name=name,
        unit=kind.unit,
        values=values,
        uncertainties=u,
        judged=judged,
        chart=chart,
        alarms=alarms_of(name, kind.unit, names, judged, chart),
        notes=notes,
    )


def _without_temperature(
    flights: Sequence[PastFlight], level: Array, u: Array
) -> tuple[Array, Array, tuple[str, ...]]:
    """The dark level less what temperature and exposure account for, and its uncertainty."""
    first = np.flatnonzero(np.isfinite(level))[:BASELINE].tolist()
    if len(first) < BASELINE:
        return level, u, ()
    warm, _ = _column([f.quantities.sensor_temperature for f in flights])
    warm[~((warm > COLDEST_C) & (warm < HOTTEST_C))] = np.nan
    exposure, _ = _column([Quantity(value=f.quantities.camera.exposure_ms) for f in flights])
    effect = dark_current_effect(level, warm, exposure, first=first, least=KINDS[0].least)
    if effect is None:
        return level, u, ()
    at = f"{effect.temperature_c:.1f} deg C" if math.isfinite(effect.temperature_c) else ""
    long = f"{effect.exposure_ms:.3g} ms" if math.isfinite(effect.exposure_ms) else ""
    note = f"as it were at {' and '.join(part for part in (at, long) if part)}"
    return level - effect.level, np.hypot(np.nan_to_num(u), effect.uncertainty), (note,)


def _temperature(flights: Sequence[PastFlight]) -> list[QuantityChart]:
    """The sensor's temperature, shown and not judged: it is the weather's."""
    values, u = _column([f.quantities.sensor_temperature for f in flights])
    if not np.isfinite(values).any():
        return []
    silent = control_chart(np.full(values.size, np.nan))
    notes = ("shown, not judged: it is the weather's, and the dark level is judged without it",)
    kind = TEMPERATURE
    return [
        QuantityChart(
            kind.name, kind.unit, values, u, values, silent, (), is_judged=False, notes=notes
        )
    ]


def _panels(
    flights: Sequence[PastFlight],
) -> tuple[list[QuantityChart], tuple[CertificateChange, ...]]:
    """Each panel's departure from what the others predict, and where certificates changed."""
    rows = [{p.panel: p for p in f.quantities.panels} for f in flights]
    names = sorted({name for row in rows for name in row})
    if not names:
        return [], ()
    level, u = (
        np.array([_column([_level(row.get(n)) for n in names])[k] for row in rows]) for k in (0, 1)
    )
    certificate = [[_certificate(row.get(n)) for n in names] for row in rows]
    charts = []
    for name, one in zip(names, panel_record(level, u, certificate), strict=True):
        title = f"panel {name}"
        alarms = alarms_of(title, "", [f.flight for f in flights], one.departure, one.chart)
        charts.append(
            QuantityChart(
                name=title,
                unit="1",
                values=one.departure,
                uncertainties=one.uncertainty,
                judged=one.departure,
                chart=one.chart,
                alarms=alarms,
                of_panel=True,
            )
        )
    return charts, _changes(flights, rows, names)


def _level(panel: PanelQuantity | None) -> Quantity | None:
    if panel is None or panel.level.value is None or abs(panel.level.value) > MOST_LEVEL:
        return None
    return panel.level


def _certificate(panel: PanelQuantity | None) -> str:
    if panel is None:
        return ""
    return panel.certificate_sha256 or f"{panel.certificate} {panel.measured}"


def _named(panel: PanelQuantity) -> str:
    measured = f" (measured {panel.measured})" if panel.measured else ""
    return f"{panel.certificate}{measured}"


def _changes(
    flights: Sequence[PastFlight], rows: Sequence[dict[str, PanelQuantity]], names: Sequence[str]
) -> tuple[CertificateChange, ...]:
    changes = []
    for name in names:
        last: PanelQuantity | None = None
        for i, row in enumerate(rows):
            panel = row.get(name)
            if panel is None:
                continue
            if last is not None and _certificate(panel) != _certificate(last):
                changes.append(CertificateChange(i, flights[i].flight, last, panel))
            last = panel
    return tuple(sorted(changes, key=lambda c: (c.at, c.panel)))
