"""The finished runs below a folder, as far as the record of camera and panels asks them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from pipeline.errors import InputError
from pipeline.flight.finished_runs import runs_by_flight
from pipeline.foreign import one_line
from pipeline.write.quantities import Quantities
from pipeline.write.run_record import RUN_JSON, read_run

NO_QUANTITIES = (
    "made by a version that kept no quantities; `reflectory run CONFIG --again` makes it anew"
)


@dataclass(frozen=True, eq=False)
class PastFlight:
    """A flight by its newest run that can be read."""

    flight: str  # as the config names it
    run: Path
    ended: str  # when the run was made: tells the order where no line has a time
    quantities: Quantities

    @property
    def moment(self) -> str:
        """When it was flown; when it was calibrated where that is not known."""
        return self.quantities.flown or self.ended

    @property
    def day(self) -> str:
        """The day it was flown, ISO 8601; empty where it is not known."""
        return (self.quantities.flown or "")[:10]


@dataclass(frozen=True)
class PassedOver:
    """A run that the record does not tell of, and why."""

    run: Path
    why: str


@dataclass(frozen=True)
class PastRuns:
    """All flights in order of time, and the runs that were passed over."""

    flights: tuple[PastFlight, ...]
    passed_over: tuple[PassedOver, ...]


@dataclass(frozen=True, eq=False)
class Reader:
    """Reads runs, each once while its `run.json` stays the same."""

    _known: dict[Path, tuple[tuple[int, int, int], PastFlight | PassedOver]] = field(
        default_factory=dict
    )

    def below(self, folder: Path) -> PastRuns:
        """The newest run of each flight below a folder, in order of the flights' times.

        A run that cannot be read is passed over, and the one before it taken. No link is followed.

        Raises
        ------
        InputError
            The folder cannot be looked through.
        """
        flights: list[PastFlight] = []
        passed: list[PassedOver] = []
        for runs in runs_by_flight(folder):
            for run in reversed(runs):
                found = self._read(run)
                if isinstance(found, PastFlight):
                    flights.append(found)
                    break
                passed.append(found)
        in_order = sorted(_told_apart(flights, folder), key=lambda f: (f.moment, str(f.run)))
        return PastRuns(tuple(in_order), tuple(sorted(passed, key=lambda p: str(p.run))))

    def _read(self, run: Path) -> PastFlight | PassedOver:
        try:
            seen = (run / RUN_JSON).stat()
            stamp = (seen.st_mtime_ns, seen.st_size, seen.st_ino)
            known = self._known.get(run)
            if known is not None and known[0] == stamp:
                return known[1]
            found = _past_flight(run)
        except OSError as error:
            return PassedOver(run, f"cannot be read: {error.strerror}")
        self._known[run] = stamp, found
        return found


def _past_flight(run: Path) -> PastFlight | PassedOver:
    try:
        record = read_run(run)
    except InputError as error:
        return PassedOver(run, one_line(error.what))
    if record.run_id != run.name:
        return PassedOver(run, f"its {RUN_JSON} is that of another run, {record.run_id}")
    if record.quantities is None:
        return PassedOver(run, NO_QUANTITIES)
    return PastFlight(record.flight, run, record.ended, record.quantities)


def _told_apart(flights: Sequence[PastFlight], folder: Path) -> list[PastFlight]:
    """The flights, those of one name told by their folders too."""
    names = Counter(flight.flight for flight in flights)
    return [
        flight
        if names[flight.flight] == 1
        else replace(flight, flight=f"{flight.flight} ({flight.run.parent.relative_to(folder)})")
        for flight in flights
    ]
