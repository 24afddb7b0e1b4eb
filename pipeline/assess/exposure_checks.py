"""The checks of the exposure, wired to the panels' readings and the noise."""

from __future__ import annotations

import numpy as np

from pipeline.calibrate.kernel_tables import median_snr
from pipeline.calibrate.measure import Measured
from pipeline.calibrate.recording import Recording
from pipeline.config.flight import Config
from pipeline.radiometry.checks import exposure, recorder
from pipeline.radiometry.checks.row import Limits
from pipeline.records import Array, Check


def exposure_rows(
    config: Config, recording: Recording, measured: Measured, limits: Limits
) -> list[Check]:
    """Is it bright enough, not saturated, and the noise as expected?"""
    wavelength_nm = recording.wavelength_nm
    exposure_ms = recording.cubes[0].settings.exposure_ms
    uses = {panel.name: panel.use for panel in config.panel}
    peaks: dict[str, float] = {}
    shares: dict[str, Array] = {}
    for r in measured.readings:
        peaks[r.panel] = max(peaks.get(r.panel, 0.0), r.peak_counts)
        if uses[r.panel] == "fit":
            worst = np.fmax(shares.get(r.panel, r.saturated_share), r.saturated_share)
            shares[r.panel] = worst
    transfer = measured.detector.transfer
    return [
        exposure.panel_peak(
            peaks,
            config.sensor.full_scale_counts,
            dark_counts=float(np.mean([np.nanmean(d.mean) for d in measured.detector.darks])),
            saturation_counts=config.sensor.saturation_counts,
            exposure_ms=exposure_ms,
            limits=limits,
        ),
        exposure.panel_saturated(shares, wavelength_nm=wavelength_nm, limits=limits),
        recorder.pile_up(
            {s.cube: s.pile for s in measured.scenes} | dict(measured.panel_piles), limits=limits
        ),
        exposure.scene_low_signal(
            median_snr(measured),
            flagged_below=config.quality.low_signal_snr,
            wavelength_nm=wavelength_nm,
            limits=limits,
        ),
        exposure.noise_model(
            transfer.electrons_per_count,
            config.sensor.electrons_per_count,
            standard_error=transfer.standard_error,
            limits=limits,
        ),
    ]
