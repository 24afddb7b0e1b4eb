"""How reflectance and its uncertainty are packed into 16 bits: types, steps, fills, ranges, once.

It stands here, below the kernel that packs; the product's schema takes it from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Packing:
    """value = packed * step; `fill` stands for no value, `largest` is the largest packed value."""

    dtype: np.dtype[Any]
    step: float
    fill: int
    largest: int

    def unpacked(self, packed: NDArray[Any]) -> NDArray[np.float32]:
        """Values of packed numbers, same shape, float32; NaN where they hold the fill value."""
        values = packed.astype(np.float32) * np.float32(self.step)
        values[packed == self.fill] = np.nan
        return values


#: From -3.2767 to 3.2767.
REFLECTANCE = Packing(np.dtype(np.int16), step=1e-4, fill=-32768, largest=32767)
#: Standard uncertainty of two significant digits. Above 0.0995 the second digit is 0.01, so the
#: largest value that fits is 0.65.
UNCERTAINTY = Packing(np.dtype(np.uint16), step=1e-5, fill=65535, largest=65000)
