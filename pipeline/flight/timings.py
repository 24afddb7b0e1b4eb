"""How long each stage of a run took."""

from __future__ import annotations

import time


class Timings:
    """Seconds by stage; a stage begins where the one before it ended."""

    def __init__(self) -> None:
        self._clock = time.perf_counter()
        self._seconds: dict[str, float] = {}

    def ends(self, stage: str) -> None:
        """A stage has come to its end."""
        now = time.perf_counter()
        self._seconds[stage], self._clock = now - self._clock, now

    def as_dict(self) -> dict[str, float]:
        """Seconds by stage, as `run.json` has them."""
        return {stage: round(seconds, 3) for stage, seconds in self._seconds.items()}
