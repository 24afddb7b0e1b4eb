"""Loading what a command works with, in three quarters of the time that it would take unasked."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

_LINEAR_ALGEBRA = "scipy.linalg"
#: Read by the libraries that numpy may have been built with, when they are loaded.
_ALGEBRA_THREADS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


@contextmanager
def loading() -> Iterator[None]:
    """Within it, libraries are imported; at its end, the compiled kernels can be called.

    Nothing is collected meanwhile, nor is what was loaded looked through in later collections: it
    stays to the end of the process. Linear algebra, if it is not loaded yet, gets one thread: its
    matrices are small, and its threads would keep processors busy waiting that ours work on.
    """
    for variable in _ALGEBRA_THREADS:
        os.environ.setdefault(variable, "1")
    gc.disable()
    try:
        yield
        _ready_kernels()
    finally:
        gc.freeze()
        gc.enable()


def _ready_kernels() -> None:
    """Have numba load its own library, which it else does in the first call of a kernel.

    It asks for scipy's linear algebra, to compile products of matrices; no kernel here has one,
    and with numpy's Fortran tools behind it that takes as long as all else it loads. A process
    of ours may go without, one that somebody else's kernels live in may not: therefore not in the
    library.
    """
    from numba.core.registry import cpu_target

    hidden = _LINEAR_ALGEBRA not in sys.modules
    if hidden:
        # The import system's own word for a module that cannot be had.
        sys.modules[_LINEAR_ALGEBRA] = None  # type: ignore[assignment]
    try:
        cpu_target.typing_context.refresh()
        cpu_target.target_context.refresh()
    finally:
        if hidden:
            del sys.modules[_LINEAR_ALGEBRA]
