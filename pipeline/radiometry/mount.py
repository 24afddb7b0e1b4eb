"""How a camera hangs below its aircraft: its lines of sight in the aircraft's axes.

Axes of a body are forward, right and down. It turns by heading, then pitch, then roll, as for
aircraft: roll positive with the right side down, pitch positive with the front up.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.compiled.call import compiled, inlined
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
    forward, right, down = _rolled_and_pitched(x, y, z, *turns)
    return forward, right, down


@inlined
def _rolled_and_pitched(x, y, z, sine_roll, cosine_roll, sine_pitch, cosine_pitch):  # type: ignore[no-untyped-def]
    """`turned`, of arrays or, in a kernel, of one direction."""
    down = y * sine_roll + z * cosine_roll
    return (
        x * cosine_pitch + down * sine_pitch,
        y * cosine_roll - z * sine_roll,
        down * cosine_pitch - x * sine_pitch,
    )


@compiled
def meet_ground(lines, turns, look, latitude, longitude):  # type: ignore[no-untyped-def]
    """Where lines of sight, (axis, sample), meet the ground; `turns` are sines and cosines of each
    line's roll, pitch and heading."""
    for i in range(lines.shape[0]):
        lat, lon, height, north_m, east_m = lines[i]
        sine_roll, cosine_roll, sine_pitch, cosine_pitch, sine, cosine = turns[i]
        for s in range(look.shape[1]):
            forward, right, down = _rolled_and_pitched(
                look[0, s], look[1, s], look[2, s], sine_roll, cosine_roll, sine_pitch, cosine_pitch
            )
            # On the ground: what a line of sight goes ahead and aside over what it goes down.
            reach = height / (down if down > 0 else np.nan)
            ahead, aside = forward * reach, right * reach
            latitude[i, s] = lat + (ahead * cosine - aside * sine) / north_m
            longitude[i, s] = lon + (ahead * sine + aside * cosine) / east_m
