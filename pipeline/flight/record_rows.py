"""The rows of a run's record: cubes, panels, steps, and the verdict's sentence."""

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
from pipeline.records import Check, PanelReading
from pipeline.write.run_record import CubeRow, PanelRow, PassRow, RefusedCube, Step, WrittenCube


def finite(value: float) -> float | None:
    """A number as JSON can hold it."""
    return float(value) if math.isfinite(value) else None


def _listed(values: NDArray[np.float64], digits: int = 6) -> tuple[float | None, ...]:
    return tuple(finite(float(f"{v:.{digits}g}")) for v in values.tolist())


def cube_rows(
    prepared: Preparation, results: Sequence[CubeResult], refused: Mapping[str, ReflectoryError]
) -> tuple[CubeRow, ...]:
    """One row a cube, calibrated ones first."""
    captures = prepared.recording.by_name
    written = (
        WrittenCube(
            cube=result.name,
            file=result.path.name,
            lines=captures[result.name].lines,
            bands=captures[result.name].bands,
            samples=captures[result.name].samples,
            seconds=round(result.seconds, 3),
            saturated_share=finite(result.share("saturated")),
            low_signal_share=finite(result.share("low_signal")),
            outside_panel_range_share=finite(result.share("outside")),
            negative_share=finite(result.share("negative", "sound")),
        )
        for result in results
    )
    return (*written, *refused_rows(refused))


def refused_rows(refused: Mapping[str, ReflectoryError]) -> tuple[RefusedCube, ...]:
    """One row a cube that was left out."""
    return tuple(RefusedCube(cube=name, why=str(why)) for name, why in refused.items())


def panel_rows(prepared: Preparation) -> tuple[PanelRow, ...]:
    """One row a panel: where it was read, and its spectra."""
    points = prepared.fit.points
    rows = []
    for i, reference in enumerate(points.references):
        value, u = predict(prepared.fit.empirical_line, points.signal[i], points.uncertainty[i])
        row = PanelRow(
            panel=reference.name,
            use=reference.use,
            passes=tuple(_pass(r) for r in prepared.measured.readings if r.panel == reference.name),
            signal=_listed(points.signal[i]),
            signal_uncertainty=_listed(points.uncertainty[i], 3),
            certified=_listed(reference.reflectance),
            certified_uncertainty=_listed(reference.uncertainty, 3),
            predicted=_listed(value),
            predicted_uncertainty=_listed(u, 3),
        )
        rows.append(row)
    return tuple(rows)


def _pass(reading: PanelReading) -> PassRow:
    known = np.isfinite(reading.uniformity).any()
    return PassRow(
        cube=reading.cube,
        lines=reading.lines,
        samples=reading.samples,
        how=reading.how,
        pixels=reading.pixels,
        peak_counts=finite(round(reading.peak_counts, 2)),
        uniformity=finite(round(float(np.nanmedian(reading.uniformity)), 5)) if known else None,
    )


def steps_of(prepared: Preparation) -> tuple[Step, ...]:
    """The corrections in order, each with what was used."""
    config, flat = prepared.config, prepared.recording.inventory.flat
    detector, fit = prepared.measured.detector, prepared.fit
    steps = [
        Step(
            "dark",
            "mean dark signal subtracted, linear in time between captures "
            f"({', '.join(d.name for d in detector.darks)})",
            {"frames": [d.frames_used for d in detector.darks]},
        ),
        Step(
            "elements",
            "bad elements "
            + ("interpolated" if config.quality.interpolate_bad_elements else "flagged")
            + " and flagged" * config.quality.interpolate_bad_elements,
            {"count": int(detector.bad.any.sum())},
        ),
    ]
    if flat is not None:
        steps.append(Step("flat", f"divided by the relative response from {flat.name}"))
    if config.calibration.response == "scene":
        says = "divided by the smooth response across the swath that all strips share"
        steps.append(Step("response", says, {"strips": prepared.measured.swath.strips}))
    if config.sensor.linearity is not None:
        says = f"raw counts made linear first of all, by {config.sensor.linearity.name}"
        steps.insert(0, Step("linearity", says))
    if config.sensor.wavelength_nm is not None:
        says = "band centres from sensor.wavelength_nm, whatever the cubes' headers say"
        steps.insert(0, Step("wavelengths", says))
    panels = [r.name for r in fit.points.references if r.use == "fit"]
    return (
        *steps,
        Step("illumination", f"irradiance ratio: {config.calibration.illumination}"),
        Step(
            "empirical line",
            f"empirical line through {', '.join(panels)}" + ", gain alone" * (len(panels) == 1),
            {"calibrated_bands": int(fit.empirical_line.calibrated.sum())},
        ),
        Step(
            "noise",
            "shot noise from "
            + ("the config" if config.sensor.electrons_per_count else "photon transfer"),
            {"electrons_per_count": finite(detector.electrons_per_count)},
        ),
    )


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
