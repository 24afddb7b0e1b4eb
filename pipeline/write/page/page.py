"""report.html: one page that opens offline, the verdict first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from markupsafe import Markup

from pipeline.radiometry.limits import LIMITS, CheckLimits
from pipeline.radiometry.preview import thinned
from pipeline.records import Check
from pipeline.write.page import about, pictures
from pipeline.write.page.data import ReportData
from pipeline.write.page.sections import sections
from pipeline.write.page.spectra import embedded, packing, script_json
from pipeline.write.page.template import beside, rendered
from pipeline.write.run_record import CubeRow, RefusedCube, RunRecord, WrittenCube

#: Bytes of the pictures and spectra as text, at the most: above it, spectra are thinned.
MOST_BYTES = 5_000_000
#: Strips shown before the rest is folded.
SHOWN_STRIPS = 6
_FOLDED = (("pass", "passed"), ("not checked", "not checked"))


@dataclass(frozen=True, eq=False)
class DrawnStrips:
    """The pictures of the cubes, and their spectra as text."""

    layers: list[pictures.Layer]
    strips: list[pictures.Strip]
    spectra: list[Markup]


def write_report(
    path: Path,
    record: RunRecord,
    data: ReportData | None = None,
    drawn: DrawnStrips | None = None,
) -> None:
    """Write the page of a run.

    Parameters
    ----------
    path : the page
    record : the run's record
    data : what the page draws beyond it; without it the page has no pictures and no charts
    drawn : `draw_strips` of the data, where that was done ahead: it needs no record
    """
    path.write_text(render(record, data, drawn), encoding="utf-8")


def render(
    record: RunRecord, data: ReportData | None = None, drawn: DrawnStrips | None = None
) -> str:
    """The page as text; see `write_report`."""
    drawn = drawn or draw_strips(data)
    layers, strips = drawn.layers, drawn.strips
    checks = record.checks
    lead, _, rest = record.says.partition(": ")
    charts = sections(record.panels, data)
    parts = [("checks", "Checks"), *([("pictures", "Pictures and spectra")] if strips else [])]
    parts += [(section.key, section.name) for section in charts]
    parts += [("cubes", "Cubes"), ("about", "Certificates and config")]
    return rendered(
        "pipeline.write.page",
        "page.html.j2",
        script="page.js",
        run=record,
        css=Markup(beside("pipeline.write.page", "page.css")),
        parts=parts,
        lead=lead + ":" if rest else "",
        rest=rest or lead,
        flown=about.flown(record),
        outlines=about.outlines(record),
        panel_facts=about.panel_facts(record),
        config_lines=data.config_text.expandtabs().splitlines() if data is not None else [],
        when=record.ended.replace("T", " ").replace("Z", " UTC"),
        decimation=_decimation(data),
        counts=_counts(checks),
        worst=[_row(check) for check in checks if check.verdict in ("fail", "caution")],
        folded=_folded(checks),
        moved=sorted(record.config.get("limits") or {}),
        layers=layers,
        layer_names={layer.key: layer.name for layer in layers},
        strips=strips,
        shown_strips=SHOWN_STRIPS,
        ramp=",".join(pictures.CIVIDIS),
        packing=script_json(
            packing() | {"bands": 0 if data is None else int(data.preview_nm.size)}
        ),
        spectra=drawn.spectra,
        sections=charts,
        cubes=[_cube(row) for row in record.cubes],
    )


def draw_strips(data: ReportData | None) -> DrawnStrips:
    """Pictures and embedded spectra, thinned until they keep within `MOST_BYTES`."""
    if data is None or not data.previews:
        return DrawnStrips([], [], [])
    layers, strips = pictures.draw(data.previews, data.doubts)
    room = MOST_BYTES - sum(len(p.uri) for strip in strips for p in strip.pictures)
    while True:
        spectra = [
            script_json(embedded(cube, preview, data.preview_nm))
            for cube, preview in data.previews.items()
        ]
        smallest = all(p.spectra[0].size <= 4 for p in data.previews.values())
        if sum(map(len, spectra)) <= room or smallest:
            return DrawnStrips(layers, strips, spectra)
        data = replace(data, previews={n: thinned(p) for n, p in data.previews.items()})


def _decimation(data: ReportData | None) -> str:
    """How much of a strip its pictures keep."""
    if data is None or not data.previews:
        return ""
    steps = {p.plan.picture.line_step for p in data.previews.values()}
    if steps == {1}:
        return "The pictures show every line and sample."
    few = " to ".join(str(step) for step in sorted({min(steps), max(steps)}))
    return f"The pictures keep one line and sample in {few}; a single bad one may not show."


def _counts(checks: Sequence[Check]) -> str:
    """ "1 check failed, 2 ask for caution, 40 passed, 3 were not checked"."""
    words = (("fail", "failed"), ("caution", "caution"), ("pass", "passed"))
    said = []
    for verdict, word in (*words, ("not checked", "not checked")):
        count = sum(check.verdict == verdict for check in checks)
        said.append(f"{count} {word}")
    return "Checks: " + ", ".join(said)


def _folded(checks: Sequence[Check]) -> list[dict[str, Any]]:
    groups = []
    for verdict, word in reversed(_FOLDED):
        rows = [_row(check) for check in checks if check.verdict == verdict]
        if rows:
            groups.append({"title": f"{len(rows)} {word}", "rows": rows})
    return groups


def _row(check: Check) -> dict[str, Any]:
    limits = LIMITS.get(check.check)
    said = [
        f"{name} {text}"
        for name, limit in (("caution", check.caution), ("fail", check.fail))
        if (text := _limit(limits, limit, check.unit))
    ]
    return asdict(check) | {
        "kind": check.verdict.replace(" ", "-"),
        "value": _quantity(check.value, check.unit) if check.value is not None else "none",
        "limits": said,
    }


def _limit(limits: CheckLimits | None, limit: Any, unit: str) -> str:
    """Where a limit begins, in words: "above 5 count"."""
    if limit is None:
        return ""
    if isinstance(limit, list | tuple):
        return f"outside {_number(limit[0])} to {_quantity(limit[1], unit)}"
    kind = limits.kind if limits is not None else "above"
    if kind == "any" and limit == 0:
        return "if any"
    words = {"above": "above", "from": "from", "below": "below", "outside": "below", "any": "above"}
    return f"{words[kind]} {_quantity(limit, unit)}"


def _number(value: float) -> str:
    if value == int(value) and abs(value) < 1e6:
        return f"{int(value)}"
    return f"{value:.3g}"


def _quantity(value: float, unit: str) -> str:
    """A number with its unit, things in the plural; the unit 1 is not written."""
    if unit == "1":
        return _number(value)
    plural = "s" if len(unit) > 3 and abs(value) != 1 else ""
    return f"{_number(value)} {unit}{plural}"


def _cube(row: CubeRow) -> dict[str, Any]:
    shown: dict[str, Any] = {"name": row.cube, "outcome": row.outcome}
    if isinstance(row, RefusedCube):
        shown["outcome"] += f": {row.why}"
    if not isinstance(row, WrittenCube):
        return shown | dict.fromkeys(("lines", "saturated", "low", "outside"), "")
    return shown | {
        "lines": row.lines,
        "saturated": _share(row.saturated_share),
        "low": _share(row.low_signal_share),
        "outside": _share(row.outside_panel_range_share),
    }


def _share(value: float | None) -> str:
    if value is None:
        return ""
    return "below 0.001 %" if 0 < value < 1e-5 else f"{100 * value:.3g} %"
