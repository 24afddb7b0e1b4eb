"""The smooth response across the swath: corrected from the scene, or carried as uncertainty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.errors import CalibrationError
from pipeline.radiometry.response import SwathShape, modes, response_of
from pipeline.records import FlatField, Mask, PanelReading


def scene_response(shape: SwathShape, bad: Mask) -> FlatField:
    """The response that all strips share, 1 at bad elements.

    CalibrationError with one strip alone, whose ground cannot be told from the camera, and where
    the scene tells nothing.
    """
    if not shape.known:
        raise CalibrationError(
            'calibration.response is "scene", which needs two strips or more, 20 samples wide, '
            "with light on them",
            do="Fly more strips, both ways, or record a flat",
        )
    across = modes(bad.shape[1])
    response = np.where(bad, 1.0, response_of(shape.by_band, bad.shape[1]))
    error = response * np.sqrt(shape.by_band_error**2 @ across**2)
    return FlatField(
        response.astype(np.float32), np.where(bad, 0, error).astype(np.float32), smooth=True
    )


def unseen_falloff(shape: SwathShape, bad: Mask) -> FlatField:
    """Response 1 with what the strips agree to see of a falloff as its uncertainty."""
    size = np.abs(response_of(shape.seen, bad.shape[1]) - 1.0)
    u = np.where(bad, 0.0, size).astype(np.float32)
    return FlatField(np.ones(bad.shape, np.float32), u, smooth=True)


def with_elements(smooth: FlatField, of_elements: FlatField) -> FlatField:
    """The smooth response with the elements' own spread about it."""
    relative = of_elements.uncertainty * smooth.response
    return replace(smooth, uncertainty=np.hypot(smooth.uncertainty, relative))


def with_misfit(flat: FlatField, smooth: FlatField) -> FlatField:
    """A recorded flat with what the strips still show of a falloff: it no longer fits the lens."""
    relative = smooth.uncertainty / smooth.response
    total = np.hypot(flat.uncertainty, relative * flat.response)
    return replace(flat, uncertainty=total, smooth=bool(relative.any()))


def with_response_error(reading: PanelReading, smooth: FlatField) -> PanelReading:
    """A panel's reading with the smooth response's uncertainty, common to all of its core."""
    across = slice(*reading.samples)
    relative = (smooth.uncertainty / smooth.response)[:, across].mean(axis=1, dtype=np.float64)
    return replace(reading, uncertainty=np.hypot(reading.uncertainty, reading.signal * relative))
