"""Bounded work in order, on threads that several cubes share."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")


def in_order(
    items: Iterable[T], work: Callable[[T], R], *, pool: Executor, ahead: int
) -> Iterator[R]:
    """Results of `work` on each item, in the items' order.

    At most `ahead + 1` items are drawn and not yet given back, which bounds memory whatever the
    number of items. The first exception ends the iteration, and returns only when no item of
    these is at work any more.
    """
    pending: deque[Future[R]] = deque()
    try:
        for item in items:
            pending.append(pool.submit(work, item))
            if len(pending) > ahead:
                yield pending.popleft().result()
        while pending:
            yield pending.popleft().result()
    finally:
        for future in pending:
            future.cancel()
        for future in pending:
            if not future.cancelled():
                future.exception()
