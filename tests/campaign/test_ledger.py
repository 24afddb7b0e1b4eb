"""A ledger that something else holds, or that holds what cannot be."""

from __future__ import annotations

import math
import sqlite3
from pathlib import Path

import pytest

from pipeline.campaign import ledger as module
from pipeline.campaign.index_page import write_index
from pipeline.campaign.ledger import Ledger, Moment
from pipeline.campaign.morning import morning_of
from pipeline.errors import OutputError


def test_a_ledger_that_is_open_elsewhere_is_not_to_be_moved_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "ledger.sqlite"
    monkeypatch.setattr(module, "PATIENCE_S", 0.01)
    with Ledger(path) as ledger:
        other = sqlite3.connect(path)
        other.execute("begin exclusive")
        with pytest.raises(OutputError, match="close that, and try again"):
            ledger.close_killed(1.0)
        other.close()
        ledger.close_killed(1.0)


@pytest.mark.parametrize("seconds", [1e300, -1e300, math.inf, -math.inf, 253_402_300_800.0, 0.0])
def test_a_time_of_no_calendar_is_shown_as_unknown(tmp_path: Path, seconds: float) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        ledger.still_s("june", "files", Moment(seconds))
        ledger.wait("june", "waiting", "why", seconds)
        (row,) = ledger.flights()
        assert ledger.still_s("june", "files", Moment(1_800_000_000.0)) >= 0
    page = tmp_path / "index.html"
    stand = morning_of(row, present=True, acknowledged=False, now_s=2e9, overdue_hours=24)
    write_index(page, "t", [stand])
    expected = "1970-01-01 00:00" if seconds == 0 else "unknown"
    assert expected in page.read_text()
