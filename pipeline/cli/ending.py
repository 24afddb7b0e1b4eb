"""How a command is ended from outside."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

#: What a shell gives for a command that a signal ended: 128 and the signal's number.
INTERRUPTED, TERMINATED = 128 + signal.SIGINT, 128 + signal.SIGTERM


class Terminated(KeyboardInterrupt):
    """SIGTERM came: to all that is at work it is an interrupt."""


@contextmanager
def ends_when_terminated() -> Iterator[None]:
    """Within, SIGTERM raises `Terminated`; a second one must not disturb the clearing up.

    Nothing is changed where signals are not heard (outside the main thread) or not wanted.
    """
    before = signal.getsignal(signal.SIGTERM)

    def end(number: int, frame: FrameType | None) -> None:
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        raise Terminated

    try:
        if before is signal.SIG_DFL:
            signal.signal(signal.SIGTERM, end)
    except ValueError:
        yield
        return
    try:
        yield
    finally:
        if before is signal.SIG_DFL:
            signal.signal(signal.SIGTERM, before)
