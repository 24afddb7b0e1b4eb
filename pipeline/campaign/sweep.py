"""`sweep`: every flight in an inbox that is new and settled, once; for a scheduler to call."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.campaign.arrivals import (
    Fingerprint,
    fingerprint,
    flight_folders,
    not_whole,
    results_of,
)
from pipeline.campaign.config import Campaign, load_campaign
from pipeline.campaign.ledger import Ledger, Moment
from pipeline.campaign.morning import (
    SUMMARY,
    Morning,
    is_acknowledged,
    morning_of,
    summary_text,
)
from pipeline.campaign.record_of_results import RecordOfResults
from pipeline.errors import BusyError, OutputError, ReflectoryError, one_line
from pipeline.progress.event_log import About
from pipeline.progress.protocol import Progress, Silent
from pipeline.write.small_file import write_text

if TYPE_CHECKING:
    from pipeline.campaign.ledger import FlightRow

INDEX = "index.html"
#: A flight that no sweep has seen before is looked at again after so long [s] (common practice, no
#: source): what is still being written grows meanwhile.
SECOND_LOOK_S = 5.0

#: States of a flight after a sweep, in the order of the summary.
STATES = (
    "failed", "set aside", "not whole", "done", "waiting", "already done", "already set aside",
)  # fmt: skip


@dataclass(frozen=True)
class FlightResult:
    """What a sweep did about one flight."""

    flight: str  # name of its folder, control characters made visible
    state: str  # one of STATES
    reason: str = ""
    verdict: str = ""
    run_folder: Path | None = None
    look_again: bool = False  # whether a second look, some seconds later, may find it due

    @property
    def line(self) -> str:
        """The flight in one line."""
        # The reason of an unusable flight says so itself.
        verdict = "" if self.reason and self.verdict == "unusable" else self.verdict
        told = f"{self.state}: {self.flight}"
        told += f", {verdict}" if verdict else ""
        told += f": {self.reason}" if self.reason else ""
        if self.run_folder and self.state == "done":
            told += f" ({self.run_folder})"
        return one_line(told)


@dataclass(frozen=True)
class SweepResult:
    """What a sweep did, flight by flight."""

    flights: tuple[FlightResult, ...]
    index: Path
    summary: Path
    needing: tuple[str, ...] = ()  # flights that need somebody

    @property
    def exit_code(self) -> int:
        """0 where all is calibrated, acknowledged, or waiting as it should; else 1, each time."""
        return 1 if self.needing else 0


def sweep(
    campaign: str | Path,
    *,
    progress: Progress | None = None,
    now: Callable[[], float] = time.time,
    workers: int | None = None,
) -> SweepResult:
    """Calibrate every flight of an inbox that is new or changed, whole, and still.

    Parameters
    ----------
    campaign : the campaign's TOML file
    progress : is told how far each flight is
    now : the time of day [s since 1970]; the stillness of files is then measured by it alone
    workers : threads of a run

    Raises
    ------
    ConfigError
        The campaign is wrong.
    BusyError
        Another sweep of this ledger is at work.
    OutputError
        Ledger, lock or index cannot be written. A flight that fails is no error: the result
        says so.
    """
    described = load_campaign(campaign)
    progress = progress or Silent()
    settings = described.sweep
    with _locked(settings.ledger), Ledger(settings.ledger) as ledger:
        ledger.close_killed(now())
        record = RecordOfResults(settings.results)
        flights = [
            _Flight(described, ledger, folder, now, workers, record)
            for folder in flight_folders(settings.inbox)
        ]
        results = _all_swept(flights, progress)
        stand = _mornings(described, ledger, now())
        index, summary = settings.results / INDEX, settings.results / SUMMARY
        record.bring_up_to_date()
        _write_pages(index, summary, described, stand, now())
    needing = tuple(one.flight for one in stand if one.needs_somebody)
    return SweepResult(tuple(results), index, summary, needing)


def _all_swept(flights: Sequence[_Flight], progress: Progress) -> list[FlightResult]:
    """What became of each flight; a second look is for all of them at once, at the end."""
    results = {one.name: one.swept(About(progress, flight=one_line(one.name))) for one in flights}
    again = [one for one in flights if results[one.name].look_again]
    if again:
        time.sleep(SECOND_LOOK_S)
    for one in again:
        results[one.name] = one.swept(About(progress, flight=one_line(one.name)))
    return list(results.values())


@contextmanager
def _locked(ledger: Path) -> Iterator[None]:
    from filelock import FileLock, Timeout

    path = ledger.with_name(f"{ledger.name}.lock")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = FileLock(path)
        lock.acquire(timeout=0)
    except Timeout:
        raise BusyError("another sweep is at work", where=path) from None
    except OSError as error:
        raise OutputError(f"cannot be locked: {error.strerror}", where=path) from error
    try:
        yield
    finally:
        lock.release()


def moment(now: Callable[[], float]) -> Moment:
    """The present on both clocks; with another clock than the computer's, on that one alone."""
    if now is time.time:
        with suppress(OSError, AttributeError):
            boot = Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
            return Moment(now(), time.clock_gettime(time.CLOCK_BOOTTIME), boot)
    return Moment(now())


@dataclass(frozen=True)
class _Flight:
    """One flight of the inbox while a sweep looks at it."""

    campaign: Campaign
    ledger: Ledger
    folder: Path
    now: Callable[[], float]
    workers: int | None
    record: RecordOfResults

    @property
    def name(self) -> str:
        return self.folder.name

    def swept(self, progress: Progress) -> FlightResult:
        """Take the flight if it is due; what became of it."""
        try:
            seen = fingerprint(self.campaign, self.folder)
        except OSError as error:
            self.ledger.still_s(self.name, "", moment(self.now))
            return self._waits(progress, f"cannot be looked through: {error.strerror}")
        row = self.ledger.flight(self.name)
        if row is not None and row.work == seen.work and _stands(row):
            return FlightResult(
                one_line(self.name), f"already {row.state}", row.reason, row.verdict, row.run_folder
            )
        still_s = self.ledger.still_s(self.name, seen.files, moment(self.now))
        if seen.count == 0:
            return self._waits(progress, "the folder holds no file")
        settle_s = 60 * self.campaign.sweep.settle_minutes
        if still_s < settle_s:
            lain_s = self._lain_s(seen)
            if lain_s < settle_s:
                return self._waits(
                    progress,
                    f"seen unchanged for {max(still_s, lain_s) / 60:.3g} of "
                    f"{self.campaign.sweep.settle_minutes:g} minutes",
                )
            if still_s < SECOND_LOOK_S:
                waits = self._waits(progress, f"looked at again in {SECOND_LOOK_S:g} s")
                return replace(waits, look_again=True)
        if (row is None or row.whole != seen.files) and seen.manifests:
            reason = not_whole(self.folder, seen.manifests)
            if reason:
                return self._waits(progress, reason, "not whole")
            self.ledger.found_whole(self.name, seen.files)
        if self.ledger.tries(self.name, seen.work) >= self.campaign.sweep.attempts:
            return self._set_aside(progress, seen, self.ledger.last_reason(self.name, seen.work))
        return self._tried(progress, seen)

    def _lain_s(self, seen: Fingerprint) -> float:
        """For how long the file system says that nothing changed [s]; 0 where it cannot tell.

        Another clock than the computer's, which tests set, has nothing to do with its times; and
        a change to come was stamped by a clock that is wrong.
        """
        return max(self.now() - seen.changed_s, 0.0) if self.now is time.time else 0.0

    def _waits(self, progress: Progress, reason: str, state: str = "waiting") -> FlightResult:
        self.ledger.wait(self.name, state, reason, self.now())
        progress.event(f"flight {state}", why=reason)
        return FlightResult(one_line(self.name), state, one_line(reason))

    def _set_aside(
        self, progress: Progress, seen: Fingerprint, reason: str, run: _Run | None = None
    ) -> FlightResult:
        return self._settled(progress, "set aside", seen, reason, run)

    def _tried(self, progress: Progress, seen: Fingerprint) -> FlightResult:
        number = self.ledger.begin(self.name, seen.work, self.now())
        try:
            done = self._calibrated(progress)
        except BaseException:
            # Called off by the user: no fault of the flight.
            self.ledger.forget(number)
            raise
        outcome = "done" if done.state == "done" else done.state
        self.ledger.end(number, outcome, done.reason, done.run_id, self.now())
        if done.state == "done":
            return self._settled(progress, "done", seen, done.reason, done)
        tries = self.ledger.tries(self.name, seen.work)
        # The same files are unusable the next time too.
        if tries >= self.campaign.sweep.attempts or done.verdict == "unusable":
            return self._set_aside(progress, seen, done.reason, done)
        return self._settled(progress, "failed", seen, done.reason, done)

    def _settled(
        self,
        progress: Progress,
        state: str,
        seen: Fingerprint,
        reason: str,
        run: _Run | None,
    ) -> FlightResult:
        run = run or _Run(state, reason)
        self.ledger.settle(
            self.name,
            state,
            reason,
            work=seen.work,
            now_s=self.now(),
            run_id=run.run_id,
            run_folder=run.folder,
            results=results_of(run.folder),
            verdict=run.verdict,
            flown=run.flown,
            cubes=run.cubes,
            says=run.says,
        )
        facts = {"why": reason} if reason else {}
        if run.run_id:
            facts |= {"run": run.run_id, "verdict": run.verdict}
        progress.event(f"flight {state}", **facts)
        return FlightResult(one_line(self.name), state, one_line(reason), run.verdict, run.folder)

    def _calibrated(self, progress: Progress) -> _Run:
        """Run the flight; its failure is a result."""
        try:
            config = self.campaign.config_of(self.folder)
            # Loading what calibrates takes a second; a sweep with nothing to do must not pay it.
            from pipeline.flight.latest import lead_to_latest
            from pipeline.flight.run import run

            past = self.record.compares()
            result = run(config, workers=self.workers, progress=progress, past=past)
        except OutputError as error:
            return _Run("not written", str(error))
        except ReflectoryError as error:
            return _Run("failed", str(error))
        except Exception as error:  # the other flights must not suffer from one
            return _Run("failed", one_line(f"a fault of the program: {error!r}"))
        lead_to_latest(result.folder.parent, make=True)
        record = result.record
        verdict, run_id = record.verdict, str(record.run_id)
        flown = record.quantities.flown if record.quantities is not None else None
        told = ((flown or "")[:10], len(record.written), record.says)
        if record.exit_code == 0:
            return _Run("done", "", run_id, result.folder, verdict, *told)
        reasons = [f"{row.cube}: {row.why}" for row in record.refused]
        reasons += [record.says] if verdict == "unusable" else []
        return _Run("failed", one_line("; ".join(reasons)), run_id, result.folder, verdict, *told)


@dataclass(frozen=True)
class _Run:
    """How a try ended."""

    state: str  # done, failed, not written
    reason: str
    run_id: str = ""
    folder: Path | None = None
    verdict: str = ""
    flown: str = ""
    cubes: int = 0
    says: str = ""


def _stands(row: FlightRow) -> bool:
    """Whether a flight's last state holds while nothing changes."""
    if row.state == "done":
        return row.run_folder is not None and row.results == results_of(row.run_folder)
    return row.state == "set aside"


def _mornings(campaign: Campaign, ledger: Ledger, now_s: float) -> list[Morning]:
    """How every flight stands, those that left the inbox too."""
    settings = campaign.sweep
    folders = {folder.name: folder for folder in flight_folders(settings.inbox)}
    return [
        morning_of(
            row,
            present=row.name in folders,
            acknowledged=row.name in folders
            and is_acknowledged(folders[row.name], settings.acknowledged),
            now_s=now_s,
            overdue_hours=settings.overdue_hours,
        )
        for row in ledger.flights()
    ]


def _write_pages(
    index: Path, summary: Path, campaign: Campaign, stand: list[Morning], now_s: float
) -> None:
    from pipeline.campaign.index_page import write_index

    title = campaign.path.stem
    try:
        index.parent.mkdir(parents=True, exist_ok=True)
        write_index(index, title, stand)
        write_text(summary, summary_text(title, stand, summary.parent, now_s))
    except OSError as error:
        raise OutputError(f"cannot be written: {error.strerror}", where=index.parent) from error
