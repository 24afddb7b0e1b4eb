"""The empirical line of a flight, from its panels' readings under the light that was followed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.calibrate.light import Light
from pipeline.calibrate.panels.readings import PanelPoints, combined
from pipeline.config.flight import Config
from pipeline.errors import CalibrationError
from pipeline.radiometry.empirical_line import fit_empirical_line
from pipeline.records import EmpiricalLine, PanelReading, PanelReference


@dataclass(frozen=True, eq=False)
class Fit:
    """The panels' points, and the line through those of use "fit"."""

    points: PanelPoints
    empirical_line: EmpiricalLine


def fit_panels(
    config: Config,
    references: Sequence[PanelReference],
    readings: Sequence[PanelReading],
    light: Light,
) -> Fit:
    """Fit the empirical line; CalibrationError where no band can be calibrated."""
    points = combined(references, readings, light.at_panels)
    of_fit = points.of("fit")
    if not len(of_fit.references):
        raise CalibrationError("no fit panel was found", where=config.path)
    _require_unsaturated(of_fit)
    empirical_line = fit_empirical_line(
        of_fit.references,
        of_fit.signal,
        of_fit.uncertainty,
        of_fit.usable,
        certificates_correlated=config.calibration.certificates_correlated,
        offset_uncertainty=config.calibration.offset_uncertainty,
    )
    if not empirical_line.calibrated.any():
        raise CalibrationError(
            "no band can be calibrated: the panels' signals do not rise with their certificates",
            where=config.path,
            do="Check the panels' windows and certificates",
        )
    return Fit(points, empirical_line)


def _require_unsaturated(of_fit: PanelPoints) -> None:
    blind = [
        reference.name
        for reference, signal in zip(of_fit.references, of_fit.signal, strict=True)
        if np.isnan(signal).all()
    ]
    if blind and not of_fit.usable.any():
        raise CalibrationError(
            f"panel {blind[0]} is saturated or blind in every band",
            do="Shorten the exposure and fly over the panels again",
        )
