"""Bounded work in order."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from pipeline.run.engine import in_order


def each(items: Iterable[Any], work: Callable[[Any], Any], *, workers: int) -> Iterator[Any]:
    """Results of `in_order` on threads of their own."""
    with ThreadPoolExecutor(workers) as pool:
        yield from in_order(items, work, pool=pool, ahead=workers)


def test_results_come_in_the_order_of_the_items() -> None:
    def work(i: int) -> int:
        time.sleep(0.002 * (7 - i % 7))
        return i * i

    assert list(each(range(40), work, workers=4)) == [i * i for i in range(40)]


@pytest.mark.parametrize("workers", [1, 2, 5])
def test_drawn_and_not_given_back_is_bounded(workers: int) -> None:
    drawn = given = most = 0

    def items() -> Iterator[int]:
        nonlocal drawn, most
        for i in range(50):
            drawn += 1
            most = max(most, drawn - given)
            yield i

    for _ in each(items(), lambda i: i, workers=workers):
        time.sleep(0.0005)
        given += 1
    assert most <= workers + 1


def test_work_is_done_at_the_same_time() -> None:
    both = threading.Barrier(2, timeout=10)
    assert list(each([1, 2], lambda i: (both.wait(), i)[1], workers=2)) == [1, 2]


def test_the_first_error_ends_it_and_no_thread_goes_on() -> None:
    done: list[int] = []

    def work(i: int) -> int:
        if i == 3:
            raise ValueError("three")
        done.append(i)
        return i

    with pytest.raises(ValueError, match="three"):
        list(each(range(1000), work, workers=2))
    after = len(done)
    time.sleep(0.02)
    assert len(done) == after < 20


def test_an_error_of_the_items_is_handed_on() -> None:
    def items() -> Iterator[int]:
        yield 1
        raise OSError("gone")

    with pytest.raises(OSError, match="gone"):
        list(each(items(), lambda i: i, workers=2))


def test_nothing_in_nothing_out() -> None:
    assert list(each([], lambda i: i, workers=3)) == []


def test_when_it_ends_early_no_item_is_at_work_any_more() -> None:
    """Whoever stops drawing may close the files that the work reads."""
    busy = 0
    lock = threading.Lock()

    def work(i: int) -> int:
        nonlocal busy
        with lock:
            busy += 1
        time.sleep(0.02 if i else 0)
        with lock:
            busy -= 1
        if i == 0:
            raise ValueError("first")
        return i

    with ThreadPoolExecutor(4) as pool:
        with pytest.raises(ValueError, match="first"):
            list(in_order(range(20), work, pool=pool, ahead=4))
        assert busy == 0


def test_two_streams_share_one_pool() -> None:
    with ThreadPoolExecutor(2) as pool, ThreadPoolExecutor(2) as outer:

        def stream(offset: int) -> list[int]:
            items = range(offset, offset + 50)
            return list(in_order(items, lambda i: i + 1, pool=pool, ahead=2))

        one, other = outer.submit(stream, 0), outer.submit(stream, 1000)
        assert one.result(10) == list(range(1, 51))
        assert other.result(10) == list(range(1001, 1051))
