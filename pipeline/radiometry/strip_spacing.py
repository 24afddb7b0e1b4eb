"""How far apart the strips of a flight lie."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from pipeline.radiometry.angles import circular_mean, near
from pipeline.radiometry.geometry import metres_per_degree
from pipeline.records import Array

#: Strips that turn by less than this against the longest one are parallel to it [degree].
PARALLEL_DEG = 15.0
#: Strips nearer than this are one, flown again [m]: a receiver's error with corrections.
SAME_M = 0.2


def widest_spacing_m(strips: Sequence[tuple[Array, Array]]) -> float:
    """The widest distance between neighbours among the parallel strips [m].

    Parameters
    ----------
    strips : latitude and longitude of each strip's lines, (line,) each [degree]; NaN are passed
        over, and so are strips of fewer than two known lines

    NaN with fewer than two parallel strips.
    """
    middle = circular_mean(np.concatenate([lon for _, lon in strips])) if strips else math.nan
    known = []
    for latitude, longitude in strips:
        good = np.isfinite(latitude) & np.isfinite(longitude)
        if good.sum() > 1:
            known.append((latitude[good], near(longitude[good], middle)))
    if len(known) < 2:
        return math.nan
    north_m, east_m = (float(one) for one in metres_per_degree(known[0][0][0]))
    scale = np.array([east_m, north_m])
    ends = [np.array([[lon[0], lat[0]], [lon[-1], lat[-1]]]) * scale for lat, lon in known]
    along = np.array([end[1] - end[0] for end in ends])
    length = np.hypot(*along.T)
    axis = along[length.argmax()] / max(length.max(), 1e-9)
    parallel = np.abs(along @ axis) >= math.cos(math.radians(PARALLEL_DEG)) * length
    middles = np.array([end.mean(axis=0) for end in ends])[parallel & (length > 0)]
    across = np.sort(middles @ np.array([-axis[1], axis[0]]))
    steps = np.diff(across)
    steps = steps[steps > SAME_M]
    return float(steps.max()) if steps.size else math.nan
