"""Work in order, alone and with helpers."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from pipeline.calibrate.blocks_in_order import Helpers, in_order


def each(items: Iterable[Any], work: Callable[[Any], Any], *, places: int) -> Iterator[Any]:
    """Results of `in_order` with helpers on threads of their own."""
    with ThreadPoolExecutor(max(places, 1)) as threads:
        yield from in_order(items, work, helpers=Helpers(threads, places))


@pytest.mark.parametrize("places", [0, 1, 4])
def test_results_come_in_the_order_of_the_items(places: int) -> None:
    def work(i: int) -> int:
        time.sleep(0.002 * (7 - i % 7))
        return i * i

    assert list(each(range(40), work, places=places)) == [i * i for i in range(40)]


def test_without_helpers_all_is_done_by_the_caller() -> None:
    here = threading.get_ident()
    assert set(in_order(range(5), lambda _: threading.get_ident())) == {here}


@pytest.mark.parametrize("places", [0, 1, 4])
def test_an_item_is_drawn_only_once_there_is_a_hand_for_it(places: int) -> None:
    drawn = finished = most = 0
    lock = threading.Lock()

    def items() -> Iterator[int]:
        nonlocal drawn, most
        for i in range(50):
            with lock:
                drawn += 1
                most = max(most, drawn - finished)
            yield i

    def work(i: int) -> int:
        nonlocal finished
        time.sleep(0.001)
        with lock:
            finished += 1
        return i

    assert list(each(items(), work, places=places)) == list(range(50))
    assert most <= places + 1


def test_work_is_done_at_the_same_time() -> None:
    both = threading.Barrier(2, timeout=10)
    assert list(each([1, 2], lambda i: (both.wait(), i)[1], places=1)) == [1, 2]


def test_places_that_are_made_later_are_used() -> None:
    here, seen = threading.get_ident(), []
    with ThreadPoolExecutor(1) as threads:
        helpers = Helpers(threads, 0)
        for i, thread in enumerate(
            in_order(range(30), lambda _: threading.get_ident(), helpers=helpers)
        ):
            seen.append(thread)
            if i == 9:
                helpers.add(2)
    assert set(seen[:10]) == {here}
    assert set(seen) > {here}


def test_the_first_error_ends_it_and_no_thread_goes_on() -> None:
    done: list[int] = []

    def work(i: int) -> int:
        if i == 3:
            raise ValueError("three")
        done.append(i)
        return i

    with pytest.raises(ValueError, match="three"):
        list(each(range(1000), work, places=2))
    after = len(done)
    time.sleep(0.02)
    assert len(done) == after < 20


def test_an_error_of_the_items_is_handed_on() -> None:
    def items() -> Iterator[int]:
        yield 1
        raise OSError("gone")

    with pytest.raises(OSError, match="gone"):
        list(each(items(), lambda i: i, places=2))


def test_nothing_in_nothing_out() -> None:
    assert list(each([], lambda i: i, places=3)) == []


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

    with ThreadPoolExecutor(4) as threads:
        with pytest.raises(ValueError, match="first"):
            list(in_order(range(20), work, helpers=Helpers(threads, 4)))
        assert busy == 0


def test_a_place_is_free_again_after_an_error() -> None:
    with ThreadPoolExecutor(1) as threads:
        helpers = Helpers(threads, 1)
        for _ in range(3):
            with pytest.raises(ZeroDivisionError):
                list(in_order([0], lambda i: 1 // i, helpers=helpers))
        taken = helpers.take(lambda i: i, 7)
        assert taken is not None
        assert taken.result(10) == 7


def test_two_streams_share_helpers() -> None:
    with ThreadPoolExecutor(2) as threads, ThreadPoolExecutor(2) as outer:
        helpers = Helpers(threads, 2)

        def stream(offset: int) -> list[int]:
            items = range(offset, offset + 50)
            return list(in_order(items, lambda i: i + 1, helpers=helpers))

        one, other = outer.submit(stream, 0), outer.submit(stream, 1000)
        assert one.result(10) == list(range(1, 51))
        assert other.result(10) == list(range(1001, 1051))
