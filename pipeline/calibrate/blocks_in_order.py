"""Work in order, with helpers where there are any."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from typing import TypeVar

#: Results that wait for an earlier one, at the most.
MOST_WAITING = 8

T = TypeVar("T")
R = TypeVar("R")


class Helpers:
    """Threads that take items off the hands of others, as many at a time as there are places."""

    def __init__(self, threads: Executor, places: int) -> None:
        self._threads = threads
        self._places = threading.Semaphore(places)

    def add(self, places: int) -> None:
        """Make more places, as a thread that had work of its own runs out of it."""
        for _ in range(places):
            self._places.release()

    def take(self, work: Callable[[T], R], item: T) -> Future[R] | None:
        """The item's result to come, or None where all places are taken."""
        if not self._places.acquire(blocking=False):
            return None
        future = self._threads.submit(work, item)
        future.add_done_callback(lambda _: self._places.release())
        return future


def in_order(
    items: Iterable[T], work: Callable[[T], R], *, helpers: Helpers | None = None
) -> Iterator[R]:
    """Results of `work` on each item, in the items' order.

    Helpers take what they have places for, and the caller's own thread does the rest: an item is
    drawn only once there is a hand for it, which bounds memory whatever the number of items. The
    first exception ends the iteration, which returns only when no item is at work any more.
    """
    pending: deque[Future[R]] = deque()
    try:
        for item in items:
            taken = helpers.take(work, item) if helpers is not None else None
            pending.append(taken if taken is not None else _done(work, item))
            while pending and (pending[0].done() or len(pending) > MOST_WAITING):
                yield pending.popleft().result()
        while pending:
            yield pending.popleft().result()
    finally:
        for future in pending:
            future.cancel()
        for future in pending:
            if not future.cancelled():
                future.exception()


def _done(work: Callable[[T], R], item: T) -> Future[R]:
    future: Future[R] = Future()
    future.set_result(work(item))
    return future
