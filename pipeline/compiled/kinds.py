"""Types of a kernel's arguments, and the plain numbers that it is called with."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

#: A type of an argument: (dtype, dimensions) of an array, a number's dtype, a tuple of types.
Kind = Any

_FLOAT, _INT, _BOOL = np.dtype(np.float64), np.dtype(np.int64), np.dtype(np.bool_)


def flatten(value: Any, flat: list[int | float]) -> Kind:
    """Put an array's address and lengths, or a number, at the end of `flat`; return its type."""
    if isinstance(value, np.ndarray):
        if not value.flags.c_contiguous:
            raise TypeError(f"a kernel takes arrays in C order; got strides {value.strides}")
        flat.append(value.ctypes.data)
        flat.extend(value.shape)
        return (value.dtype, value.ndim)
    if isinstance(value, tuple):
        return tuple([flatten(part, flat) for part in value])
    if isinstance(value, np.generic):
        flat.append(value.item())
        return value.dtype
    flat.append(value)
    return _BOOL if isinstance(value, bool) else _INT if isinstance(value, int) else _FLOAT


def is_array(kind: Kind) -> bool:
    """Whether a type is an array's."""
    return isinstance(kind, tuple) and len(kind) == 2 and isinstance(kind[1], int)


def leaves(kind: Kind) -> Iterator[Kind]:
    """Types of arrays and numbers within tuples, in order."""
    if isinstance(kind, tuple) and not is_array(kind):
        for part in kind:
            yield from leaves(part)
    else:
        yield kind
