"""How a camera hangs below its aircraft: its lines of sight in the aircraft's axes.

Axes of a body are forward, right and down. It turns by heading, then pitch, then roll, as for
aircraft: roll positive with the right side down, pitch positive with the front up.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.compiled.call import inlined
from pipeline.records import Array


def lines_of_sight(
    samples: int,
    ifov_mrad: float,
    *,
    mirrored: bool = False,
    boresight_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> Array:
    """Directions that samples look in, (axis, sample): forward, right and down of the aircraft.

    Parameters
    ----------
    samples : their number; the middle of them looks along the camera's own axis
    ifov_mrad : [mrad] of one sample there; a flat detector
    mirrored : samples increase to the left of the heading, not to the right
    boresight_deg : roll, pitch and heading [degree] of the camera in the aircraft's axes
    """
    across = (np.arange(samples) - (samples - 1) / 2) * ifov_mrad * 1e-3
    look = np.stack([np.zeros(samples), -across if mirrored else across, np.ones(samples)])
    roll, pitch, heading = np.radians(boresight_deg)
    x, y, z = turned(look, roll, pitch)
    return np.stack(
        [x * np.cos(heading) - y * np.sin(heading), x * np.sin(heading) + y * np.cos(heading), z]
    )


def turned(look: Array, roll: ArrayLike, pitch: ArrayLike) -> tuple[Array, Array, Array]:
    """Forward, right and down components of directions once the body has rolled and pitched.

    Parameters
    ----------
    look : (axis, ...) in the body's axes
    roll, pitch : [radian], of a shape that goes with a component's
    """
    x, y, z = look
    turns = (np.sin(roll), np.cos(roll), np.sin(pitch), np.cos(pitch))
    forward, right, down = rolled_and_pitched(x, y, z, *turns)
    return forward, right, down


@inlined
def rolled_and_pitched(x, y, z, sine_roll, cosine_roll, sine_pitch, cosine_pitch):  # type: ignore[no-untyped-def]
    """`turned`, of arrays or, in a kernel, of one direction."""
    down = y * sine_roll + z * cosine_roll
    return (
        x * cosine_pitch + down * sine_pitch,
        y * cosine_roll - z * sine_roll,
        down * cosine_pitch - x * sine_pitch,
    )
