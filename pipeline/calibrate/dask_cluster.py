"""Cubes on an existing dask.distributed scheduler, through a plain Executor."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from typing import Any, TypeVar

from pipeline.errors import ConfigError

T = TypeVar("T")
R = TypeVar("R")

#: Seconds to wait for the scheduler to answer.
CONNECT_TIMEOUT_S = 10
#: Times a cube whose worker was lost is done again, beyond what the scheduler does by itself.
RETRIES = 3


@contextmanager
def cluster(address: str) -> Iterator[tuple[Executor, int]]:
    """An executor on the scheduler at `address`, and the number of threads behind it.

    The workers must see the flight's and the output's folders under the same paths and have this
    version installed. ConfigError where no scheduler answers or no worker is there.
    """
    import distributed

    connect: Any = distributed.Client

    try:
        client = connect(address, timeout=CONNECT_TIMEOUT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise ConfigError(
            f"no scheduler answers: {error}", where=f"--cluster {address}", do="Start one first"
        ) from None
    try:
        threads = sum(client.nthreads().values())
        if not threads:
            raise ConfigError("the scheduler has no workers", where=f"--cluster {address}")
        # Not pure: a cube's work is its file, not its return value.
        yield client.get_executor(retries=RETRIES, pure=False), threads
    finally:
        client.close()


def submitted(
    executor: Executor, work: Callable[[T], R], items: Iterable[T], *, most: int
) -> Iterator[Future[R]]:
    """Futures in the items' order, at most `most` made and not yet given back."""
    waiting: list[Future[R]] = []
    try:
        for item in items:
            waiting.append(executor.submit(work, item))
            if len(waiting) >= most:
                yield waiting.pop(0)
        while waiting:
            yield waiting.pop(0)
    finally:
        for future in waiting:
            future.cancel()
