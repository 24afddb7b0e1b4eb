"""The checks of the panels and of the fit, wired to what was read and fitted."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence

import numpy as np

from pipeline.calibrate.fit import Fit
from pipeline.calibrate.ground_positions import cube_tracks, sample_width_m
from pipeline.calibrate.light import Light
from pipeline.calibrate.recording import Recording
from pipeline.calibrate.scene_sample import SceneSample
from pipeline.config.flight import Config
from pipeline.config.panel import Region
from pipeline.radiometry import geometry
from pipeline.radiometry.checks import certificates
from pipeline.radiometry.checks import fit as fit_checks
from pipeline.radiometry.checks import panels as rows
from pipeline.radiometry.checks.row import Limits, not_checked
from pipeline.radiometry.empirical_line import leave_one_out, predict, without_each
from pipeline.radiometry.equation import reflectance_from_signal
from pipeline.records import Array, Check, EmpiricalLine, Mask, PanelReading


def panel_rows(
    config: Config,
    recording: Recording,
    readings: Sequence[PanelReading],
    light: Light,
    fit: Fit,
    outside: tuple[float | None, float | None],
    limits: Limits,
) -> list[Check]:
    """Were the panels seen well, and do they agree with their certificates?

    `outside` as from `outside_shares`.
    """
    points, fitted = fit.points, fit.empirical_line
    names = [r.name for r in points.references]
    signal = {n: _usable(points.signal[i], points.usable[i]) for i, n in enumerate(names)}
    reflectance = {r.name: r.reflectance for r in points.references}
    passes: dict[str, list[Array]] = {}
    for i, reading in enumerate(readings):
        at_reference = reading.signal / light.at_panels.ratio[..., i]
        passes.setdefault(reading.panel, []).append(at_reference)
    panel_s = np.array([r.time_s for r in readings])
    line_s = recording.line_s
    known = line_s[np.isfinite(line_s)]
    flown = dt.datetime.fromtimestamp(known[0], dt.UTC).date() if known.size else None
    return [
        rows.panel_samples(
            {f"{r.panel} in {r.cube}": r.pixels for r in readings},
            sample_width_m=sample_width_m(config, cube_tracks(recording)),
            limits=limits,
        ),
        rows.panel_uniformity({r.panel: r.uniformity for r in readings}, limits=limits),
        rows.panel_order(signal, reflectance, limits=limits),
        rows.panel_ratio(signal, reflectance, _offset(fitted), limits=limits),
        rows.panel_span(*outside, limits=limits),
        rows.panel_repeat(
            {n: p for n, p in passes.items() if len(p) > 1},
            apart=_apart(readings, recording.cubes[0].samples),
            response_known=config.response != "none",
            light_followed=light.method != "constant",
            limits=limits,
        ),
        *_unconfirmed(config, recording, readings, limits),
        rows.panel_age(
            line_s, panel_s, cosine_change=_cosine_change(recording, readings), limits=limits
        ),
        *certificates.certificate_cover(
            {r.name: r.covered for r in points.references if r.use == "fit"},
            wavelength_nm=recording.wavelength_nm,
            limits=limits,
        ),
        certificates.certificate_plausible(
            {r.name: r.certificate for r in points.references if r.certificate is not None},
            recording.wavelength_nm,
            limits=limits,
        ),
        certificates.certificate_age(
            {p.name: p.measured for p in config.panel}, flown, limits=limits
        ),
    ]


def _apart(readings: Sequence[PanelReading], samples: int) -> dict[str, float]:
    """Farthest distance of a panel's passes across the swath, over the swath, by panel."""
    middles: dict[str, list[float]] = {}
    for r in readings:
        middles.setdefault(r.panel, []).append(sum(r.samples) / 2)
    return {name: (max(each) - min(each)) / samples for name, each in middles.items()}


def _unconfirmed(
    config: Config, recording: Recording, readings: Sequence[PanelReading], limits: Limits
) -> list[Check]:
    """A row for each pass over a panel that its region promised and the image did not show."""
    if not any(isinstance(place, Region) for panel in config.panel for place in panel.where):
        return []
    # Image processing is loaded for flights whose panels are given by region alone.
    from pipeline.calibrate.panels.region_search import unconfirmed

    found = []
    for one in unconfirmed(config, recording, readings):
        (a, b), (c, d) = one.lines, one.samples
        subject = f"{one.panel} in {one.cube}"
        says = (
            f"{subject}: the track expects it at lines {a} to {b} samples {c} to {d}, where the "
            "image does not confirm it; this pass is left out"
        )
        do = "Look at the strip there; if it shows the panel, give its window"
        found.append(not_checked(limits, "panel-repeat", says, subject=subject, do=do))
    return found


def _usable(signal: Array, usable: Mask) -> Array:
    return np.where(usable, signal, np.nan)


def _offset(fitted: EmpiricalLine) -> Array | None:
    """The fitted offset; None where the line is a gain alone."""
    return fitted.offset if len(fitted.panels) > 1 else None


def outside_shares(
    fitted: EmpiricalLine, scenes: Sequence[SceneSample], light: Light
) -> tuple[float | None, float | None]:
    """Shares of the thin scene lines' spectra below and above the fit's panels."""
    value = np.concatenate(
        [
            reflectance_from_signal(
                scene.thin, fitted.gain, fitted.offset, _ratio_of_thin(scene, light)
            )
            for scene in scenes
        ]
    )
    known = np.isfinite(value)
    if not known.any():
        return None, None
    with np.errstate(invalid="ignore"):
        return (
            float((value < fitted.low)[known].mean()),
            float((value > fitted.high)[known].mean()),
        )


def _ratio_of_thin(scene: SceneSample, light: Light) -> Array:
    """Irradiance ratio of each thin pixel, (pixel, 1) or (pixel, band)."""
    at_lines = np.atleast_2d(light.by_cube[scene.cube].ratio)[:, scene.lines]
    return np.repeat(at_lines.T, len(scene.thin) // scene.lines.size, axis=0)


def _cosine_change(recording: Recording, readings: Sequence[PanelReading]) -> float | None:
    place = recording.place
    if place is None:
        return None
    panel_s = np.array([r.time_s for r in readings])
    change = geometry.sun_cosine_change(recording.line_s[::50], panel_s, *place)
    return change if math.isfinite(change) else None


def fit_rows(fit: Fit, wavelength_nm: Array, limits: Limits) -> list[Check]:
    """Do the panels lie on one line, and does it predict those that it was not fitted to?"""
    fitted, points = fit.empirical_line, fit.points
    of_fit = points.of("fit")
    signal = {
        r.name: _usable(of_fit.signal[i], of_fit.usable[i]) for i, r in enumerate(of_fit.references)
    }
    certified = {r.name: r.reflectance for r in of_fit.references}
    predicted: dict[str, Array] = {}
    if len(of_fit.references) >= 3:
        error = leave_one_out(of_fit.references, of_fit.signal, of_fit.uncertainty, of_fit.usable)
        predicted = {r.name: r.reflectance + error[i] for i, r in enumerate(of_fit.references)}
    uncertainty = {
        r.name: np.hypot(r.uncertainty, fitted.gain * of_fit.uncertainty[i])
        for i, r in enumerate(of_fit.references)
    }
    rest = without_each(points.references, points.signal, points.uncertainty, points.usable)
    return [
        fit_checks.fit_residual(
            np.where(fitted.used, fitted.residual, np.nan),
            fitted.panels,
            fitted.degrees_of_freedom,
            wavelength_nm=wavelength_nm,
            limits=limits,
        ),
        fit_checks.fit_consistency(
            fitted.chi_square,
            fitted.degrees_of_freedom,
            without={r.name: float(rest[i]) for i, r in enumerate(points.references)},
            limits=limits,
        ),
        fit_checks.fit_offset(fitted.offset, fitted=len(fitted.panels) > 1, limits=limits),
        fit_checks.fit_curvature(signal, certified, uncertainty, limits=limits),
        fit_checks.leave_one_out(predicted, certified, limits=limits),
        *_check_panels(fit, limits),
    ]


def _check_panels(fit: Fit, limits: Limits) -> list[Check]:
    """One row a check panel: predicted against certified."""
    of_check = fit.points.of("check")
    if not of_check.references:
        return [fit_checks.check_panel("", None, None, limits=limits)]
    found = []
    for i, reference in enumerate(of_check.references):
        signal = _usable(of_check.signal[i], of_check.usable[i])
        value, u = predict(fit.empirical_line, signal, of_check.uncertainty[i])
        expanded = 2 * np.hypot(u, reference.uncertainty)
        found.append(
            fit_checks.check_panel(
                reference.name, value, reference.reflectance, expanded, limits=limits
            )
        )
    return found
