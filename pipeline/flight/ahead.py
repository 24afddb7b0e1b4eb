"""Loading libraries while the disk is read, and not when their first work waits for them."""

from __future__ import annotations

import importlib
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager

#: What the fit asks for once the darks are read.
OF_EVERY_RUN = ("scipy.special",)


@contextmanager
def loading(libraries: Sequence[str]) -> Iterator[Future[None]]:
    """Load libraries in a thread of its own; the future is done once all are there.

    A library that cannot be loaded is no error here: whoever needs it says so in its own words.
    """
    with ThreadPoolExecutor(1, thread_name_prefix="loading") as thread:
        yield thread.submit(_load, libraries)


def _load(libraries: Sequence[str]) -> None:
    for name in libraries:
        try:
            importlib.import_module(name)
        except ImportError:
            continue
