"""Functions that are called in machine code.

numba takes as long to load as all the rest of a command. What it makes is machine code like any
other: here it is kept in a file and, from the next process on, loaded with llvmlite alone.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from types import FunctionType
from typing import Any

from pipeline.compiled.kinds import Kind, flatten

_lock = threading.Lock()


class Kernel:
    """A function of numba's part of Python, called in machine code and without the GIL.

    Arguments are numpy arrays in C order, numbers, and tuples of these. It fills arrays that it is
    handed and returns nothing, and takes no memory of its own. Division is that of IEEE 754, and
    an index beyond its array is not told. One form is made for each set of types.
    """

    def __init__(self, function: FunctionType) -> None:
        self.function = function
        self._forms: dict[tuple[Kind, ...], Callable[..., int]] = {}

    def __call__(self, *arguments: Any) -> None:
        """Run the form for these arguments.

        TypeError of an array that is not in C order, and of a function that a kernel cannot be;
        RuntimeError where it raises, of which no more is known.
        """
        flat: list[int | float] = []
        kinds = tuple([flatten(argument, flat) for argument in arguments])
        form = self._forms.get(kinds) or self._made(kinds)
        if form(*flat):
            raise RuntimeError(f"{self.function.__name__} raised something")

    def _made(self, kinds: tuple[Kind, ...]) -> Callable[..., int]:
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
