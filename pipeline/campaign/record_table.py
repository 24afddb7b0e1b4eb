"""record.csv: a row for each quantity of each flight."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Sequence
from itertools import chain, islice

from pipeline.campaign.camera_record import CameraRecord, QuantityChart
from pipeline.foreign import in_table

COLUMNS = (
    "camera", "flight", "flown", "run", "quantity", "unit", "value", "uncertainty", "judged",
    "centre", "limit", "moving_average", "moving_average_limit", "alarm", "note",
)  # fmt: skip
#: Bad elements that a row names; their number stands there in any case.
_NAMED = 20


def table_text(cameras: Sequence[CameraRecord]) -> str:
    """The content of the file. Limits are half widths around the centre."""
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\n")
    writer.writerow(COLUMNS)
    for camera in cameras:
        for i in range(len(camera.flights)):
            for chart in camera.charts:
                if math.isfinite(chart.values[i]):
                    writer.writerow(_cells(camera, chart, i))
    return out.getvalue()


def _cells(camera: CameraRecord, chart: QuantityChart, i: int) -> Iterator[object]:
    flight, judged = camera.flights[i], chart.chart
    numbers = (
        chart.values[i], chart.uncertainties[i], chart.judged[i], judged.centre,
        judged.half_width[i], judged.average[i], judged.average_half_width[i],
    )  # fmt: skip
    for told in (
        camera.label, flight.flight, flight.quantities.flown or "", flight.run.name,
        chart.name, chart.unit,
    ):  # fmt: skip
        yield in_table(told)
    yield from (float(f"{n:.7g}") if math.isfinite(n) else "" for n in numbers)
    yield judged.broken[i]
    yield in_table(_note(camera, chart, i))


def _note(camera: CameraRecord, chart: QuantityChart, i: int) -> str:
    """A panel's certificate; which bad elements are new."""
    flight = camera.flights[i].quantities
    if chart.of_panel:
        named = (p for p in flight.panels if f"panel {p.panel}" == chart.name)
        return "".join(f"{p.certificate} {p.measured or ''}".strip() for p in named)
    new = camera.new_elements[i] if chart.name == "bad elements" else ()
    return elements_told(new, flight.camera.samples)


def elements_told(runs: Sequence[range], samples: int) -> str:
    """New bad elements by band and sample, both from 0; empty where there are none."""
    count, across = sum(map(len, runs)), max(samples, 1)
    if not count:
        return ""
    named = [f"{e // across}/{e % across}" for e in islice(chain.from_iterable(runs), _NAMED)]
    more = f" and {count - _NAMED} more" if count > _NAMED else ""
    return f"{count} new (band/sample): {', '.join(named)}{more}"
