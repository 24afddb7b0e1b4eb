"""What robust statistics share."""

from __future__ import annotations

import math

from pipeline.records import Array

#: A median absolute deviation times this is the standard deviation of a normal distribution.
MAD_TO_SIGMA = 1.482602218505602


def correlation_factor(residual: Array) -> float:
    """What neighbours' correlation makes of a standard error: sqrt((1 + r) / (1 - r)), r >= 0."""
    power = float(residual @ residual)
    if power == 0 or residual.size < 3:
        return 1.0
    r = float(residual[1:] @ residual[:-1]) / power
    r = min(max(r, 0.0), 0.98)
    return math.sqrt((1 + r) / (1 - r))
