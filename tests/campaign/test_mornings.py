"""What a person finds in the morning: an exit code that stays until somebody knows, one text."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import pipeline.flight.run as execute
from pipeline.campaign.ledger import Ledger
from pipeline.campaign.sweep import SweepResult, sweep
from pipeline.cli.commands import main
from pipeline.config.flight import Config
from pipeline.errors import InputError

TEMPLATE = """
[flight]
cubes = "strip-*.hdr"
darks = "cap-*.hdr"
[[panel]]
name = "grey"
certificate = "grey.csv"
where = "search"
"""
DAY_S = 86_400.0


class Mornings:
    """An inbox, a clock that is set by hand, and runs that are played."""

    def __init__(self, base: Path) -> None:
        self.base, self.now_s = base, 1_800_000_000.0
        self.fails: dict[str, Exception] = {}
        self.says = "No check found a fault."
        (base / "inbox").mkdir()
        (base / "grey.csv").write_text(
            "wavelength_nm,reflectance,expanded_uncertainty\n400,0.5,0.01\n900,0.5,0.01\n"
        )
        self.settings("")

    def settings(self, text: str) -> None:
        head = f"[sweep]\nsettle_minutes = 0\nattempts = 2\n{text}\n"
        (self.base / "campaign.toml").write_text(head + TEMPLATE)

    def add(self, name: str, file: str = "strip-00.raw") -> Path:
        folder = self.base / "inbox" / name
        folder.mkdir(parents=True)
        (folder / file).write_text("counts")
        return folder

    def run(self, config: Config, **options: object) -> Any:
        name = config.flight.name
        if name in self.fails:
            raise self.fails[name]
        folder = config.output.folder / name / "0123456789ab"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "run.json").write_text("{}")
        record = SimpleNamespace(
            verdict="good", run_id=folder.name, refused=(), says=self.says, exit_code=0,
            written=("a", "b", "c"), quantities=SimpleNamespace(flown="2026-06-18T10:00:00Z"),
        )  # fmt: skip
        return SimpleNamespace(folder=folder, record=record)

    def next(self, days: float = 1.0) -> SweepResult:
        self.now_s += days * DAY_S
        return sweep(self.base / "campaign.toml", now=lambda: self.now_s)

    @property
    def summary(self) -> str:
        return (self.base / "results" / "summary.txt").read_text()


@pytest.fixture
def mornings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Mornings:
    made = Mornings(tmp_path)
    monkeypatch.setattr(execute, "run", made.run)
    return made


def test_seven_mornings_with_a_broken_flight(mornings: Mornings) -> None:
    mornings.add("june")
    mornings.add("july")
    mornings.fails["june"] = InputError("too short", where="strip-00.raw")
    for _ in range(7):
        assert mornings.next().exit_code == 1
        assert "Needs somebody:\n  june: " in mornings.summary
        assert "too short" in mornings.summary
        assert "Needs somebody" not in mornings.summary.split("Calibrated")[1]
    mornings.settings('acknowledged = ["june"]')
    assert mornings.next().exit_code == 0
    assert "june: set aside, acknowledged" in mornings.summary
    assert "Needs somebody" not in mornings.summary


def test_a_file_in_its_folder_acknowledges_a_flight_and_is_no_part_of_it(
    mornings: Mornings,
) -> None:
    folder = mornings.add("june")
    mornings.fails["june"] = InputError("too short", where="strip-00.raw")
    mornings.next()
    mornings.next()
    (folder / "acknowledged").touch()
    done = mornings.next()
    assert [f.state for f in done.flights] == ["already set aside"]
    assert done.exit_code == 0
    (folder / "acknowledged").unlink()
    assert mornings.next().exit_code == 1


def test_a_flight_that_waits_for_too_long_needs_somebody(mornings: Mornings) -> None:
    """An offload that never comes to rest."""
    mornings.settings("overdue_hours = 36")
    text = (mornings.base / "campaign.toml").read_text()
    (mornings.base / "campaign.toml").write_text(
        text.replace("settle_minutes = 0", "settle_minutes = 10")
    )
    folder = mornings.add("june")
    codes = []
    for i in range(4):
        (folder / "strip-00.raw").write_text("counts" * (i + 1))
        codes.append(mornings.next().exit_code)
    assert codes == [0, 0, 1, 1]
    assert "june: overdue, waiting since 2027-01-16 08:00 UTC" in mornings.summary
    assert mornings.next(0.1).exit_code == 0
    assert "june: flown 2026-06-18, good, 3 cubes. No check found a fault." in mornings.summary


def test_the_wait_begins_anew_after_a_run(mornings: Mornings) -> None:
    folder = mornings.add("june")
    mornings.next()
    with Ledger(mornings.base / "ledger.sqlite") as ledger:
        assert [row.waiting_since_s for row in ledger.flights()] == [0.0]
    (folder / "strip-00.raw").unlink()
    assert mornings.next(30).exit_code == 0
    assert mornings.next(2).exit_code == 1


def test_the_summary_is_plain_and_one_line_a_flight(mornings: Mornings) -> None:
    mornings.says = "bad\nnews \x1b[31m\u202e"
    mornings.add("ju\x1bne")
    mornings.next()
    lines = mornings.summary.splitlines()
    assert all(line.isprintable() for line in lines)
    assert sum("flown 2026-06-18" in line for line in lines) == 1
    assert "0123456789ab/report.html]" in mornings.summary


def test_a_flight_that_left_the_inbox_needs_nobody(mornings: Mornings) -> None:
    folder = mornings.add("june")
    mornings.fails["june"] = InputError("too short", where="strip-00.raw")
    mornings.next()
    (folder / "strip-00.raw").unlink()
    folder.rmdir()
    assert mornings.next().exit_code == 0


def test_the_command_ends_with_what_needs_somebody(
    mornings: Mornings, capsys: pytest.CaptureFixture[str]
) -> None:
    mornings.add("june")
    mornings.fails["june"] = InputError("too short", where="strip-00.raw")
    for _ in range(3):
        assert main(["sweep", str(mornings.base / "campaign.toml")]) == 1
        told = capsys.readouterr().out.splitlines()
        assert "needs somebody: june" in told
        assert told[-1].startswith("1 flight; index: ")
