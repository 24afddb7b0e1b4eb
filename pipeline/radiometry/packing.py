"""How reflectance and its uncertainty are packed into 16 bits: steps, fills and ranges, once."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

#: int16: reflectance = packed * step; from -3.2767 to 3.2767.
REFLECTANCE_STEP = 1e-4
REFLECTANCE_FILL = -32768
REFLECTANCE_LARGEST = 32767

#: uint16: standard uncertainty = packed * step. Above 0.0995 the second digit is 0.01, so the
#: largest value of two significant digits that fits is 0.65.
UNCERTAINTY_STEP = 1e-5
UNCERTAINTY_FILL = 65535
UNCERTAINTY_LARGEST = 65000


def unpacked(packed: NDArray[Any], *, step: float, fill: int) -> NDArray[np.float32]:
    """Values of packed numbers, same shape, float32; NaN where they hold the fill value."""
    values = packed.astype(np.float32) * np.float32(step)
    values[packed == fill] = np.nan
    return values
