"""The readable rows of `run.json`: cubes, panels, steps, and the verdict's sentence."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.cube import CubeResult
from pipeline.calibrate.prepare import Preparation
from pipeline.errors import ReflectoryError
from pipeline.radiometry.checks.verdict import run_verdict, worst_first
from pipeline.radiometry.empirical_line import predict
from pipeline.records import Check


def finite(value: float) -> float | None:
    """A number as JSON can hold it."""
    return float(value) if math.isfinite(value) else None


def _listed(values: NDArray[np.float64], digits: int = 6) -> list[float | None]:
    return [finite(float(f"{v:.{digits}g}")) for v in values]


def cube_rows(
    prepared: Preparation, results: Sequence[CubeResult], refused: Mapping[str, ReflectoryError]
) -> list[dict[str, object]]:
    """One row a cube, calibrated ones first."""
    captures = {c.name: c for c in prepared.recording.cubes}
    rows: list[dict[str, object]] = []
    for result in results:
        capture = captures[result.name]
        rows.append(
            {
                "cube": result.name,
                "outcome": "written",
                "file": result.path.name,
                "lines": capture.lines,
                "bands": capture.bands,
                "samples": capture.samples,
                "seconds": round(result.seconds, 3),
                "saturated_share": finite(result.share("saturated")),
                "low_signal_share": finite(result.share("low_signal")),
                "outside_panel_range_share": finite(result.share("outside")),
                "negative_share": finite(result.share("negative", "sound")),
            }
        )
    rows += [{"cube": name, "outcome": "refused", "why": str(why)} for name, why in refused.items()]
    return rows


def panel_rows(prepared: Preparation) -> list[dict[str, object]]:
    """One row a panel: where it was read, and its spectra."""
    points = prepared.fit.points
    rows: list[dict[str, object]] = []
    for i, reference in enumerate(points.references):
        value, u = predict(prepared.fit.empirical_line, points.signal[i], points.uncertainty[i])
        rows.append(
            {
                "panel": reference.name,
                "use": reference.use,
                "passes": [
                    {
                        "cube": r.cube,
                        "lines": list(r.lines),
                        "samples": list(r.samples),
                        "how": r.how,
                        "pixels": r.pixels,
                        "peak_counts": finite(round(r.peak_counts, 2)),
                        "uniformity": finite(round(float(np.nanmedian(r.uniformity)), 5))
                        if np.isfinite(r.uniformity).any()
                        else None,
                    }
                    for r in prepared.measured.readings
                    if r.panel == reference.name
                ],
                "signal": _listed(points.signal[i]),
                "signal_uncertainty": _listed(points.uncertainty[i], 3),
                "certified": _listed(reference.reflectance),
                "certified_uncertainty": _listed(reference.uncertainty, 3),
                "predicted": _listed(value),
                "predicted_uncertainty": _listed(u, 3),
            }
        )
    return rows


def steps_of(prepared: Preparation) -> list[dict[str, object]]:
    """The corrections in order, each with what was used."""
    config = prepared.config
    steps: list[dict[str, object]] = [
        {
            "step": "dark",
            "says": "mean dark signal subtracted, linear in time between captures "
            f"({', '.join(d.name for d in prepared.measured.detector.darks)})",
            "frames": [d.frames_used for d in prepared.measured.detector.darks],
        },
        {
            "step": "elements",
            "says": "bad elements "
            + ("interpolated" if config.quality.interpolate_bad_elements else "flagged")
            + " and flagged" * config.quality.interpolate_bad_elements,
            "count": int(prepared.measured.detector.bad.any.sum()),
        },
    ]
    flat = prepared.recording.inventory.flat
    if flat is not None:
        steps.append(
            {
                "step": "flat",
                "says": f"divided by the relative response from {flat.name}",
            }
        )
    fit = [r.name for r in prepared.fit.points.references if r.use == "fit"]
    steps += [
        {
            "step": "illumination",
            "says": f"irradiance ratio: {config.calibration.illumination}",
        },
        {
            "step": "empirical line",
            "says": f"empirical line through {', '.join(fit)}"
            + (", gain alone" if len(fit) == 1 else ""),
            "calibrated_bands": int(prepared.fit.empirical_line.calibrated.sum()),
        },
        {
            "step": "noise",
            "says": "shot noise from "
            + ("the config" if config.sensor.electrons_per_count else "photon transfer"),
            "electrons_per_count": finite(prepared.measured.detector.electrons_per_count),
        },
    ]
    return steps


def sentence(checks: Sequence[Check], refused: Mapping[str, ReflectoryError]) -> str:
    """The verdict in one sentence, with what to do."""
    worst = worst_first(checks)
    bad = [c for c in worst if c.verdict == "fail"]
    doubtful = [c for c in worst if c.verdict == "caution"]
    left_out = f" Cubes left out: {', '.join(refused)}." if refused else ""
    match run_verdict(checks):
        case "good":
            return f"The flight is good: no check found a fault.{left_out}"
        case "caution":
            first = (bad + doubtful)[0]
            return f"Use with care: {first.says} {first.do}".strip() + left_out
        case _:
            return f"Not usable: {bad[0].says} {bad[0].do}".strip() + left_out
