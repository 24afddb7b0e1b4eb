"""Bounded work in order: blocks on threads here."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")


def in_order(items: Iterable[T], work: Callable[[T], R], *, workers: int) -> Iterator[R]:
    """Results of `work` on each item, in the items' order, on `workers` threads.

    At most `workers + 1` items are drawn and not yet given back, which bounds memory whatever
    the number of items. The first exception ends the iteration once the threads have stopped.
    """
    pending: deque[Future[R]] = deque()
    with ThreadPoolExecutor(workers, thread_name_prefix="block") as pool:
        try:
            for item in items:
                pending.append(pool.submit(work, item))
                if len(pending) > workers:
                    yield pending.popleft().result()
            while pending:
                yield pending.popleft().result()
        finally:
            for future in pending:
                future.cancel()
