"""Bounded work in order."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest

from pipeline.run import engine


def test_results_come_in_the_order_of_the_items() -> None:
    def work(i: int) -> int:
        time.sleep(0.002 * (7 - i % 7))
        return i * i

    assert list(engine.in_order(range(40), work, workers=4)) == [i * i for i in range(40)]


@pytest.mark.parametrize("workers", [1, 2, 5])
def test_drawn_and_not_given_back_is_bounded(workers: int) -> None:
    drawn = given = most = 0

    def items() -> Iterator[int]:
        nonlocal drawn, most
        for i in range(50):
            drawn += 1
            most = max(most, drawn - given)
            yield i

    for _ in engine.in_order(items(), lambda i: i, workers=workers):
        time.sleep(0.0005)
        given += 1
    assert most <= workers + 2


def test_work_is_done_at_the_same_time() -> None:
    both = threading.Barrier(2, timeout=10)
    assert list(engine.in_order([1, 2], lambda i: (both.wait(), i)[1], workers=2)) == [1, 2]


def test_the_first_error_ends_it_and_no_thread_goes_on() -> None:
    done: list[int] = []

    def work(i: int) -> int:
        if i == 3:
            raise ValueError("three")
        done.append(i)
        return i

    with pytest.raises(ValueError, match="three"):
        list(engine.in_order(range(1000), work, workers=2))
    after = len(done)
    time.sleep(0.02)
    assert len(done) == after < 20


def test_an_error_of_the_items_is_handed_on() -> None:
    def items() -> Iterator[int]:
        yield 1
        raise OSError("gone")

    with pytest.raises(OSError, match="gone"):
        list(engine.in_order(items(), lambda i: i, workers=2))


def test_nothing_in_nothing_out() -> None:
    assert list(engine.in_order([], lambda i: i, workers=3)) == []
