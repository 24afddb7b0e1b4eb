"""Moments in which an interrupt must wait."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

#: What ends a program from outside and is heard by it.
_HEARD = (signal.SIGINT, signal.SIGTERM)


@contextmanager
def undisturbed() -> Iterator[None]:
    """Within, an interrupt that would be raised waits until the end.

    Masking signals would not do: another thread takes them, and the main thread is told all the
    same. Outside the main thread, which alone is told, there is nothing to do; a signal that ends
    the program without a word still does.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    waiting: list[int] = []

    def later(number: int, frame: FrameType | None) -> None:
        waiting.append(number)

    before = {number: signal.getsignal(number) for number in _HEARD}
    heard = {number: handler for number, handler in before.items() if callable(handler)}
    for number in heard:
        signal.signal(number, later)
    try:
        yield
    finally:
        for number, handler in heard.items():
            signal.signal(number, handler)
        if waiting:
            signal.raise_signal(waiting[0])
