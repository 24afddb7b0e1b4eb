"""The record of a campaign's results: what a sweep compares flights with and keeps up to date."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.campaign.record_files import CSV, PAGE, STAMP
from pipeline.flight.finished_runs import runs_by_flight

if TYPE_CHECKING:
    from pipeline.campaign.past_runs import Reader
    from pipeline.flight.finish import Past


@dataclass(frozen=True, eq=False)
class RecordOfResults:
    """The record below a folder of results. Nothing is loaded for it while nothing is new."""

    folder: Path

    @cached_property
    def _reader(self) -> Reader:
        from pipeline.campaign.past_runs import Reader

        return Reader()

    def compares(self) -> Past:
        """What compares a new run's flight with those before it."""
        from pipeline.campaign.flight_in_record import against_record

        return against_record(self.folder, self._reader)

    def bring_up_to_date(self) -> None:
        """Write the record anew where it is not of the runs that are there.

        Raises
        ------
        OutputError
            It cannot be written.
        """
        stamp = self._stamp()
        there = all((self.folder / name).is_file() for name in (CSV, PAGE))
        if not stamp or (there and self._last_stamp() == stamp):
            return
        from pipeline.campaign.record import record
        from pipeline.write.small_file import write_text

        record(self.folder, self._reader)
        write_text(self.folder / STAMP, f"{stamp}\n")

    def _last_stamp(self) -> str:
        try:
            return (self.folder / STAMP).read_text("ascii").strip()
        except (OSError, UnicodeDecodeError):
            return ""

    def _stamp(self) -> str:
        """A digest of the finished runs' names, sizes and times; empty where there are none."""
        told: list[bytes] = []
        if not self.folder.is_dir():
            return ""
        for runs in runs_by_flight(self.folder):
            for run in runs:
                try:
                    seen = (run / "run.json").stat()
                except OSError:
                    continue
                name = os.fsencode(run.relative_to(self.folder))
                told.append(name + f" {seen.st_size} {seen.st_mtime_ns}".encode())
        return hashlib.sha256(b"\0".join(sorted(told))).hexdigest() if told else ""
