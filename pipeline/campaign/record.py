"""`record`: what the camera and the panels did over all finished flights below a folder."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.campaign.camera_record import (
    CameraRecord,
    QuantityChart,
    camera_records,
)
from pipeline.campaign.past_runs import PassedOver, PastRuns, Reader
from pipeline.campaign.record_files import CSV, PAGE
from pipeline.campaign.record_page import page_text
from pipeline.campaign.record_table import table_text
from pipeline.errors import InputError, OutputError
from pipeline.write.quantities import runs_text
from pipeline.write.small_file import write_text


@dataclass(frozen=True, eq=False)
class Record:
    """The record of all cameras below a folder."""

    folder: Path
    cameras: tuple[CameraRecord, ...]
    passed_over: tuple[PassedOver, ...]

    @property
    def exit_code(self) -> int:
        """0 done, 1 a run was passed over."""
        return 1 if self.passed_over else 0

    @property
    def files(self) -> tuple[Path, Path]:
        """Where the table and the page are."""
        return self.folder / CSV, self.folder / PAGE

    def lines(self) -> Iterator[str]:
        """What a person is told: each camera with its alarms, and what was passed over."""
        for camera in self.cameras:
            number = len(camera.flights)
            yield f"{camera.label}: {number} flight{'' if number == 1 else 's'}"
            alarms = [alarm for chart in camera.charts for alarm in chart.alarms]
            for alarm in sorted(alarms, key=lambda a: a.first):
                yield f"  {alarm.says}"
            yield from (f"  {change.says}" for change in camera.certificates)
            if not alarms:
                yield "  no alarm"
        for passed in self.passed_over:
            yield f"passed over: {passed.run}: {passed.why}"

    def to_json(self) -> dict[str, Any]:
        """As `--json` prints it: strings, numbers, lists and dicts alone."""
        several = len(self.cameras) > 1
        quantities = {}
        for camera in self.cameras:
            of_camera = f" ({camera.label})" if several else ""
            for chart in camera.charts:
                quantities[f"{chart.name}{of_camera}"] = _chart_json(camera, chart)
        return {
            "flights": [row for camera in self.cameras for row in _flights_json(camera)],
            "quantities": quantities,
            "passed_over": [{"run": str(p.run), "why": p.why} for p in self.passed_over],
        }


def record(folder: Path, reader: Reader | None = None) -> Record:
    """Read every finished run below a folder and write `record.csv` and `record.html` into it.

    Raises
    ------
    InputError
        It holds no finished run.
    OutputError
        The table or the page cannot be written; what was there stays.
    """
    made = judged(folder, (reader or Reader()).below(folder))
    if not made.cameras and not made.passed_over:
        raise InputError(
            "no finished run below it",
            where=folder,
            do="Name the folder that the flights' results are in",
        )
    for path, text in zip(
        made.files,
        (table_text(made.cameras), page_text(folder, made.cameras, made.passed_over)),
        strict=True,
    ):
        try:
            write_text(path, text)
        except OSError as error:
            raise OutputError(f"cannot be written: {error.strerror}", where=path) from error
    return made


def judged(folder: Path, past: PastRuns) -> Record:
    """The record of runs that were read."""
    return Record(folder, camera_records(past.flights), past.passed_over)


def _flights_json(camera: CameraRecord) -> Iterator[dict[str, Any]]:
    for flight, new in zip(camera.flights, camera.new_elements, strict=True):
        panels = flight.quantities.panels
        yield {
            "flight": flight.flight,
            "camera": camera.label,
            "flown": flight.quantities.flown,
            "run": str(flight.run),
            "new_bad_elements": runs_text(new),
            "certificates": {
                p.panel: {"file": p.certificate, "measured": p.measured} for p in panels
            },
        }


def _chart_json(camera: CameraRecord, chart: QuantityChart) -> dict[str, Any]:
    return {
        "quantity": chart.name,
        "camera": camera.label,
        "unit": chart.unit,
        "flights": [f.flight for f in camera.flights],
        "values": [_number(v) for v in chart.values],
        "uncertainties": [_number(v) for v in chart.uncertainties],
        "judged": [_number(v) for v in chart.judged],
        "centre": _number(chart.chart.centre),
        "limit": _number(chart.chart.limit),
        "alarms": [{"flight": a.flight, "rule": a.rule, "says": a.says} for a in chart.alarms],
        "notes": list(chart.notes),
    }


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
