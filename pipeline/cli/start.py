"""Loading what a command works with, in three quarters of the time that it would take unasked."""

from __future__ import annotations

import gc
import os
from collections.abc import Iterator
from contextlib import contextmanager

#: Read by the libraries that numpy may have been built with, when they are loaded.
_ALGEBRA_THREADS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


@contextmanager
def loading() -> Iterator[None]:
    """Within it, libraries are imported.

    Nothing is collected meanwhile, nor is what was loaded looked through in later collections: it
    stays to the end of the process. Linear algebra, if it is not loaded yet, gets one thread: its
    matrices are small, and its threads would keep processors busy waiting that ours work on.
    """
    for variable in _ALGEBRA_THREADS:
        os.environ.setdefault(variable, "1")
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()
