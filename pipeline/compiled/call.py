"""Functions that are called in machine code.

numba takes as long to load as all the rest of a command. What it makes is machine code like any
other: here it is kept in a file and, from the next process on, loaded with llvmlite alone.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from types import FunctionType
from typing import Any

import numpy as np

#: A type of an argument: (dtype, dimensions) of an array, a number's dtype, a tuple of types.
Kind = Any
Form = Callable[..., object]

_lock = threading.RLock()
_FLOAT, _INT, _BOOL = np.dtype(np.float64), np.dtype(np.int64), np.dtype(np.bool_)


class Kernel:
    """A function of numba's part of Python, called in machine code and without the GIL.

    Arguments are numpy arrays in C order, numbers, and tuples of these. It fills arrays that it is
    handed and returns nothing, takes no memory of its own and raises nothing: division is that of
    IEEE 754, and an index beyond its array is not told. One form is made for each set of types.
    """

    def __init__(self, function: FunctionType) -> None:
        self.function = function
        self._forms: dict[tuple[Kind, ...], Form] = {}

    def __call__(self, *arguments: Any) -> None:
        """Run the form for these arguments; TypeError of an array that is not in C order."""
        flat: list[int | float] = []
        kinds = tuple([_flatten(argument, flat) for argument in arguments])
        form = self._forms.get(kinds) or self._made(kinds)
        form(*flat)

    def _made(self, kinds: tuple[Kind, ...]) -> Form:
        # Loads llvmlite, which commands without a kernel do without.
        from pipeline.compiled.forms import form_of

        with _lock:
            if kinds not in self._forms:
                self._forms[kinds] = form_of(self.function, kinds)
            return self._forms[kinds]


def compiled(function: Callable[..., None]) -> Kernel:
    """Make a kernel of a function."""
    assert isinstance(function, FunctionType)
    return Kernel(function)


def inlined(function: Any) -> Any:
    """Mark a function that kernels call: in them it is compiled, as a part of theirs."""
    function.part_of_kernels = True
    return function


def _flatten(value: Any, flat: list[int | float]) -> Kind:
    """Put an array's address and lengths, or a number, at the end of `flat`; return its type."""
    if isinstance(value, np.ndarray):
        if not value.flags.c_contiguous:
            raise TypeError(f"a kernel takes arrays in C order; got strides {value.strides}")
        flat.append(value.ctypes.data)
        flat.extend(value.shape)
        return (value.dtype, value.ndim)
    if isinstance(value, tuple):
        return tuple([_flatten(part, flat) for part in value])
    if isinstance(value, np.generic):
        flat.append(value.item())
        return value.dtype
    flat.append(value)
    return _BOOL if isinstance(value, bool) else _INT if isinstance(value, int) else _FLOAT
