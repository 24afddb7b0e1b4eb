"""From what a run measured to the quantities that its record keeps of camera and panels."""

from __future__ import annotations

import datetime as dt
import hashlib
import math

import numpy as np

from pipeline.assess.spectrum_checks import Dips
from pipeline.calibrate.prepare import Preparation
from pipeline.radiometry.limits import O2A_SHAPE_NM
from pipeline.radiometry.panels.agreement import panel_levels
from pipeline.radiometry.response import end_falloff
from pipeline.radiometry.robust import MAD_TO_SIGMA
from pipeline.radiometry.spectrum import smile_range
from pipeline.records import Array
from pipeline.write.quantities import (
    MOST,
    Camera,
    PanelQuantity,
    Quantities,
    Quantity,
    elements_text,
)

#: Digits that are kept: more than anything is known to.
DIGITS = 7


def quantities_of(prepared: Preparation, dips: Dips) -> Quantities:
    """The quantities of a flight."""
    detector = prepared.measured.detector
    bad, transfer = detector.bad.any, detector.transfer
    count = int(bad.sum())
    return Quantities(
        flown=_flown(prepared.recording.line_s),
        camera=_camera(prepared),
        dark_level=_dark_level(prepared),
        dark_noise=_dark_noise(prepared),
        bad_elements=Quantity(value=float(count)),
        which_bad=elements_text(bad),
        electrons_per_count=_quantity(transfer.electrons_per_count, transfer.standard_error),
        # The air mass moves the dip from flight to flight.
        wavelength_shift=_quantity(dips.shift_nm, math.hypot(dips.error_nm, O2A_SHAPE_NM)),
        smile=_quantity(*smile_range(dips.groups_nm, dips.group_errors_nm)),
        falloff=_quantity(*end_falloff(prepared.measured.swath, detector.flat.response, bad)),
        sensor_temperature=_temperature(prepared),
        panels=_panels(prepared),
    )


def _quantity(value: float, uncertainty: float = math.nan) -> Quantity:
    if not abs(value) <= MOST:
        return Quantity(value=None)
    u = _rounded(uncertainty) if 0 <= uncertainty <= MOST else None
    return Quantity(value=_rounded(value), uncertainty=u)


def _rounded(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


def _known(value: float) -> float | None:
    return value if abs(value) <= MOST else None


def _flown(line_s: Array) -> str | None:
    known = line_s[np.isfinite(line_s)]
    if not known.size:
        return None
    return dt.datetime.fromtimestamp(float(known[0]), dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _camera(prepared: Preparation) -> Camera:
    one = prepared.recording.cubes[0]
    # To a hundredth of a nanometre: what headers print.
    centres = ",".join(f"{nm:.2f}" for nm in one.wavelength_nm)
    return Camera(
        serial_number=one.settings.serial_number,
        bands=one.bands,
        samples=one.samples,
        first_nm=float(one.wavelength_nm[0]),
        last_nm=float(one.wavelength_nm[-1]),
        wavelengths=hashlib.sha256(centres.encode()).hexdigest()[:12],
        exposure_ms=_known(one.settings.exposure_ms),
        gain=_known(one.settings.gain),
    )


def _dark_level(prepared: Preparation) -> Quantity:
    """Mean over the captures; its uncertainty by their frames, or by their spread if larger."""
    detector = prepared.measured.detector
    good = ~detector.bad.any
    if not good.any():
        return Quantity(value=None)
    levels = [float(np.mean(d.mean, where=good, dtype=np.float64)) for d in detector.darks]
    of_frames = [float(np.var(d.level)) / max(d.frames, 1) for d in detector.darks]
    number = len(levels)
    u = math.sqrt(sum(of_frames)) / number
    if number > 1:
        u = max(u, float(np.std(levels, ddof=1)) / math.sqrt(number))
    return _quantity(float(np.mean(levels)), u)


def _dark_noise(prepared: Preparation) -> Quantity:
    """Median over the elements that measure, with the standard error of a median."""
    detector = prepared.measured.detector
    noise = detector.noise[~detector.bad.any].astype(np.float64)
    if not noise.size:
        return Quantity(value=None)
    middle = float(np.median(noise))
    spread = MAD_TO_SIGMA * float(np.median(np.abs(noise - middle)))
    return _quantity(middle, math.sqrt(math.pi / 2 / noise.size) * spread)


def _temperature(prepared: Preparation) -> Quantity:
    each = np.array([c.settings.sensor_temperature_c for c in prepared.recording.cubes])
    each = each[np.isfinite(each)]
    return _quantity(float(each.mean())) if each.size else Quantity(value=None)


def _panels(prepared: Preparation) -> tuple[PanelQuantity, ...]:
    points, by_path = prepared.fit.points, prepared.inputs.by_path
    said = panel_levels(
        points.signal,
        points.uncertainty,
        np.stack([r.reflectance for r in points.references]),
        points.usable,
    )
    given = {panel.name: panel for panel in reversed(prepared.config.panel)}
    rows = []
    for i, reference in enumerate(points.references):
        panel = given[reference.name]
        file = by_path.get(panel.certificate)
        rows.append(
            PanelQuantity(
                panel=reference.name,
                level=_quantity(float(said.level[i]), float(said.uncertainty[i])),
                certificate=file.name if file else panel.certificate.name,
                certificate_sha256=(file.sha256 or None) if file else None,
                measured=panel.measured.isoformat() if panel.measured else None,
            )
        )
    return tuple(rows)
