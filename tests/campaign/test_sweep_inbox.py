"""A sweep takes what is new, whole and still, once; the run itself is played where it can be."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import pipeline.campaign.sweep as sweeping
import pipeline.flight.run as execute
from pipeline.campaign.ledger import Ledger, Moment
from pipeline.campaign.sweep import FlightResult, SweepResult, sweep
from pipeline.cli.commands import main
from pipeline.config.flight import Config
from pipeline.errors import BusyError, ConfigError, InputError, OutputError

CERTIFICATE = "wavelength_nm,reflectance,expanded_uncertainty\n400,0.5,0.01\n900,0.5,0.01\n"
TEMPLATE = """
[flight]
cubes = "strip-*.hdr"
darks = "cap-*.hdr"
[[panel]]
name = "grey"
certificate = "grey.csv"
where = "search"
"""


@dataclass
class Inbox:
    """A campaign in a folder, a clock that is set by hand, and the runs that were asked for."""

    base: Path
    now_s: float = 1_800_000_000.0
    runs: list[Config] = field(default_factory=list)
    fails: dict[str, BaseException] = field(default_factory=dict)
    verdict: str = "good"

    def settings(self, text: str, template: str = TEMPLATE) -> None:
        (self.base / "campaign.toml").write_text(f"[sweep]\n{text}\n{template}")

    def add(self, name: str, **files: str) -> Path:
        folder = self.base / "inbox" / name
        folder.mkdir(parents=True)
        for file, content in (files or {"strip-00.raw": "counts"}).items():
            (folder / file).write_text(content)
        return folder

    def sweep(self, minutes: float = 0.0) -> SweepResult:
        self.now_s += 60 * minutes
        return sweep(self.base / "campaign.toml", now=lambda: self.now_s)

    def states(self, minutes: float = 0.0) -> dict[str, str]:
        return {f.flight: f.state for f in self.sweep(minutes).flights}

    def run(self, config: Config, **options: object) -> Any:
        self.runs.append(config)
        name = config.flight.name
        if name in self.fails:
            raise self.fails[name]
        folder = config.output.folder / name / "0123456789ab"
        folder.mkdir(parents=True, exist_ok=True)
        for file in ("run.json", "report.html"):
            (folder / file).write_text("{}")
        code = int(self.verdict == "unusable")
        record = SimpleNamespace(
            verdict=self.verdict, run_id=folder.name, refused=(), says="So.", exit_code=code,
            written=("a", "b"), quantities=SimpleNamespace(flown="2026-06-18T10:00:00Z"),
        )  # fmt: skip
        return SimpleNamespace(folder=folder, record=record)


@pytest.fixture
def inbox(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Inbox:
    made = Inbox(tmp_path)
    (tmp_path / "inbox").mkdir()
    (tmp_path / "grey.csv").write_text(CERTIFICATE)
    made.settings("settle_minutes = 0\nattempts = 2")
    monkeypatch.setattr(execute, "run", made.run)
    return made


def test_a_flight_is_done_once(inbox: Inbox) -> None:
    inbox.add("june")
    assert inbox.states() == {"june": "done"}
    assert inbox.states() == {"june": "already done"}
    assert len(inbox.runs) == 1
    assert inbox.runs[0].flight.name == "june"
    assert inbox.runs[0].flight.folder == inbox.base / "inbox" / "june"
    assert inbox.runs[0].output.folder == inbox.base / "results"


@pytest.mark.parametrize(
    "how", ["file", "new file", "certificate", "template", "results gone", "results cut short"]
)
def test_a_flight_is_done_again_when_something_changed(inbox: Inbox, how: str) -> None:
    folder = inbox.add("june")
    inbox.sweep()
    match how:
        case "file":
            os.utime(folder / "strip-00.raw", (1, 1))
        case "new file":
            (folder / "strip-01.raw").write_text("more")
        case "certificate":
            (inbox.base / "grey.csv").write_text(CERTIFICATE + "901,0.5,0.01\n")
        case "template":
            inbox.settings("settle_minutes = 0", TEMPLATE.replace("grey", "gray", 1))
        case "results gone":
            shutil.rmtree(inbox.base / "results" / "june")
        case "results cut short":
            os.truncate(inbox.base / "results" / "june" / "0123456789ab" / "report.html", 1)
    assert inbox.states() == {"june": "done"}
    assert inbox.states() == {"june": "already done"}


def test_the_command_tells_each_flight_once(
    inbox: Inbox, capsys: pytest.CaptureFixture[str]
) -> None:
    inbox.verdict = "unusable"
    inbox.add("june")
    (inbox.base / "inbox" / "later").mkdir()
    assert main(["sweep", str(inbox.base / "campaign.toml"), "--log", str(inbox.base / "l")]) == 1
    told = capsys.readouterr()
    assert told.out.splitlines() == [
        "set aside: june: So.",
        "waiting: later: the folder holds no file",
        "needs somebody: june",
        f"2 flights; index: {inbox.base / 'results' / 'index.html'}",
    ]
    assert told.err == ""
    assert "flight set aside" in (inbox.base / "l").read_text()


@pytest.mark.parametrize(
    ("state", "verdict", "reason", "line"),
    [
        ("done", "good", "", "done: june, good (/r/june/0a)"),
        (
            "set aside",
            "unusable",
            "Not usable: no light.",
            "set aside: june: Not usable: no light.",
        ),
        ("failed", "caution", "strip-01: torn", "failed: june, caution: strip-01: torn"),
        ("waiting", "", "no file", "waiting: june: no file"),
    ],
)
def test_a_flights_line_says_each_thing_once(
    state: str, verdict: str, reason: str, line: str
) -> None:
    assert FlightResult("june", state, reason, verdict, Path("/r/june/0a")).line == line


def test_settings_of_the_sweep_alone_change_no_work(inbox: Inbox) -> None:
    inbox.add("june")
    inbox.sweep()
    inbox.settings("settle_minutes = 0\nattempts = 9")
    assert inbox.states() == {"june": "already done"}


def test_a_flight_waits_until_it_is_seen_unchanged_for_long_enough(inbox: Inbox) -> None:
    inbox.settings("settle_minutes = 10")
    folder = inbox.add("june")
    assert inbox.states() == {"june": "waiting"}
    assert "0 of 10 minutes" in inbox.sweep().flights[0].reason
    assert inbox.states(9) == {"june": "waiting"}
    (folder / "strip-00.raw").write_text("more counts")
    assert inbox.states(2) == {"june": "waiting"}
    assert inbox.states(10) == {"june": "done"}


@pytest.mark.parametrize("mtime_s", [0, 4_000_000_000])
def test_the_files_own_times_say_nothing_of_stillness(inbox: Inbox, mtime_s: int) -> None:
    inbox.settings("settle_minutes = 10")
    folder = inbox.add("june")
    os.utime(folder / "strip-00.raw", (mtime_s, mtime_s))
    assert inbox.states() == {"june": "waiting"}
    assert inbox.states(10) == {"june": "done"}


def test_a_first_sweep_takes_what_has_lain_still(
    inbox: Inbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    inbox.settings("settle_minutes = 0.01")
    folder = inbox.add("june")
    # As a copy that keeps the times of the card leaves them.
    os.utime(folder / "strip-00.raw", (0, 0))
    monkeypatch.setattr(sweeping, "SECOND_LOOK_S", 0.1)
    (fresh,) = sweep(inbox.base / "campaign.toml").flights
    assert fresh.state == "waiting"
    assert "of 0.01 minutes" in fresh.reason
    inbox.add("july")
    time.sleep(0.7)
    before_s = time.monotonic()
    taken = sweep(inbox.base / "campaign.toml")
    assert [(f.flight, f.state) for f in taken.flights] == [("july", "done"), ("june", "done")]
    assert time.monotonic() - before_s >= 0.1
    monkeypatch.setattr(sweeping.time, "sleep", lambda _: pytest.fail("nothing to look at again"))
    assert [f.state for f in sweep(inbox.base / "campaign.toml").flights] == ["already done"] * 2


def test_what_grows_between_two_looks_waits(inbox: Inbox, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file system that tells of changes late, or a clock that was set since."""
    inbox.settings("settle_minutes = 10")
    folder = inbox.add("june")
    tomorrow_s = time.time() + 86_400
    monkeypatch.setattr(sweeping.time, "time", lambda: tomorrow_s)
    slept = []

    def grows(seconds: float) -> None:
        slept.append(seconds)
        (folder / "strip-00.raw").write_text("more counts")

    monkeypatch.setattr(sweeping.time, "sleep", grows)
    (flight,) = sweep(inbox.base / "campaign.toml", now=sweeping.time.time).flights
    assert slept == [sweeping.SECOND_LOOK_S]
    assert flight.state == "waiting"
    assert inbox.runs == []


def test_a_change_to_come_says_nothing_of_stillness(
    inbox: Inbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    inbox.settings("settle_minutes = 10")
    inbox.add("june")
    yesterday_s = time.time() - 86_400
    monkeypatch.setattr(sweeping.time, "time", lambda: yesterday_s)
    monkeypatch.setattr(sweeping.time, "sleep", lambda _: pytest.fail("nothing to look at again"))
    (flight,) = sweep(inbox.base / "campaign.toml", now=sweeping.time.time).flights
    assert "seen unchanged for 0 of 10 minutes" in flight.reason


def test_a_clock_set_back_makes_a_flight_wait_no_longer_than_a_new_one(inbox: Inbox) -> None:
    inbox.settings("settle_minutes = 10")
    inbox.add("june")
    inbox.sweep()
    assert inbox.states(-500_000) == {"june": "waiting"}
    assert inbox.states(9) == {"june": "waiting"}
    assert inbox.states(1) == {"june": "done"}


def test_a_jump_of_the_clock_is_not_taken_for_stillness(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger") as ledger:
        assert ledger.still_s("june", "files", Moment(1000, 50, "boot")) == 0
        # A year on by the time of day, a minute by the clock that nobody sets.
        assert ledger.still_s("june", "files", Moment(32e6, 110, "boot")) == 60
        assert ledger.still_s("june", "files", Moment(-32e6, 170, "boot")) == 120
        assert ledger.still_s("june", "files", Moment(1600, 5, "next boot")) == 600


def test_a_failed_flight_is_tried_again_and_then_set_aside(inbox: Inbox) -> None:
    folder = inbox.add("june")
    inbox.add("july")
    inbox.fails["june"] = InputError("too short", where="strip-00.raw")
    first = inbox.sweep()
    assert first.exit_code == 1
    assert {f.flight: f.state for f in first.flights} == {"july": "done", "june": "failed"}
    second = inbox.sweep()
    assert second.exit_code == 1
    assert second.flights[1].state == "set aside"
    assert second.flights[1].reason == "strip-00.raw: too short"
    third = inbox.sweep()
    assert third.exit_code == 1
    assert third.flights[1].state == "already set aside"
    assert "too short" in third.flights[1].line
    del inbox.fails["june"]
    (folder / "strip-00.raw").write_text("whole now")
    assert inbox.states()["june"] == "done"


@pytest.mark.parametrize("fault", [KeyError("x"), RecursionError(), MemoryError()])
def test_a_fault_of_the_program_costs_one_flight(inbox: Inbox, fault: Exception) -> None:
    inbox.add("a")
    inbox.add("b")
    inbox.fails["a"] = fault
    assert inbox.states() == {"a": "failed", "b": "done"}


def test_a_success_forgives_the_failures_before_it(inbox: Inbox) -> None:
    inbox.settings("settle_minutes = 0\nattempts = 3")
    inbox.add("june")
    fault = InputError("too short", where="strip-00.raw")
    for _ in range(2):
        inbox.fails["june"] = fault
        assert inbox.states() == {"june": "failed"}
        assert inbox.states() == {"june": "failed"}
        inbox.fails.clear()
        assert inbox.states() == {"june": "done"}
        shutil.rmtree(inbox.base / "results" / "june")


def test_a_full_disk_is_not_the_flights_fault(inbox: Inbox) -> None:
    inbox.add("june")
    inbox.fails["june"] = OutputError("cannot be written: No space left on device")
    assert [inbox.states()["june"] for _ in range(4)] == ["failed"] * 4
    inbox.fails.clear()
    assert inbox.states() == {"june": "done"}


def test_unusable_is_set_aside_at_once_with_its_report(inbox: Inbox) -> None:
    inbox.add("june")
    inbox.verdict = "unusable"
    result = inbox.sweep()
    assert result.flights[0].state == "set aside"
    assert result.exit_code == 1
    assert "june/0123456789ab/report.html" in result.index.read_text()


def test_an_interrupted_user_costs_no_try(inbox: Inbox) -> None:
    inbox.add("june")
    inbox.fails["june"] = KeyboardInterrupt()
    for _ in range(3):
        with pytest.raises(KeyboardInterrupt):
            inbox.sweep()
    inbox.fails.clear()
    assert inbox.states() == {"june": "done"}


@pytest.mark.parametrize(("kills", "state"), [(1, "done"), (2, "set aside")])
def test_a_killed_sweep_counts_as_a_try(inbox: Inbox, kills: int, state: str) -> None:
    inbox.add("june")
    code = (
        "import os, signal, sys\nimport pipeline.flight.run as execute\n"
        "execute.run = lambda *a, **k: os.kill(os.getpid(), signal.SIGKILL)\n"
        "from pipeline.campaign.sweep import sweep\nsweep(sys.argv[1])"
    )
    for _ in range(kills):
        done = subprocess.run(
            [sys.executable, "-c", code, inbox.base / "campaign.toml"], check=False
        )
        assert done.returncode == -9
    result = inbox.sweep()
    assert result.flights[0].state == state
    assert ("killed" in result.flights[0].reason) == (state == "set aside")


def test_a_manifest_is_believed_before_stillness(inbox: Inbox) -> None:
    digest = hashlib.sha256(b"counts").hexdigest()
    folder = inbox.add(
        "june", **{"strip-00.raw": "coun", "manifest.sha256": f"{digest}  strip-00.raw\n"}
    )
    result = inbox.sweep()
    assert result.flights[0].state == "not whole"
    assert result.exit_code == 1
    assert result.flights[0].line.startswith("not whole: june: strip-00.raw")
    assert 'data-kind="not whole"' in result.index.read_text()
    assert "strip-00.raw differs from its digest" in result.flights[0].reason
    (folder / "strip-00.raw").unlink()
    assert "not there" in inbox.sweep().flights[0].reason
    (folder / "strip-00.raw").write_text("counts")
    assert inbox.states() == {"june": "done"}


def test_a_broken_manifest_makes_a_flight_wait_with_the_reason(inbox: Inbox) -> None:
    inbox.add("june", **{"manifest.sha256": "nonsense\n"})
    result = inbox.sweep()
    assert "line 1" in result.flights[0].reason
    assert result.exit_code == 1


@pytest.mark.parametrize(
    "name",
    ["two\nlines", "<script>alert(1)<", "..dots", "a b", "é" * 80, "-x", '"; drop table flights',
     "{{ 7 * 7 }}", "x" * 200],
)  # fmt: skip
def test_names_of_any_kind_are_handled(inbox: Inbox, name: str) -> None:
    inbox.add(name)
    inbox.add("plain")
    result = inbox.sweep()
    hidden = name.startswith(".")
    assert [f.state for f in result.flights] == ["done"] * (1 if hidden else 2)
    page = result.index.read_text()
    assert "<script>alert" not in page
    assert ("{{ 7 * 7 }}" in page) == ("{{" in name)
    for flight in result.flights:
        assert flight.line.isprintable()
    below = [p.resolve() for p in (inbox.base / "results").iterdir()]
    assert all(p.parent == (inbox.base / "results").resolve() for p in below)
    assert inbox.sweep().exit_code == 0
    assert len(inbox.runs) == len(result.flights)


def test_a_name_that_is_no_text_fails_alone_and_in_one_line(inbox: Inbox) -> None:
    inbox.add(os.fsdecode(b"\xff\xfe"))
    inbox.add("plain")
    plain, other = inbox.sweep().flights
    assert (plain.state, other.state) == ("done", "failed")
    assert "not UTF-8" in other.reason
    assert other.line.isprintable()


def test_an_own_config_wins_and_keeps_flights_of_one_name_apart(inbox: Inbox) -> None:
    for folder in ("a", "b"):
        made = inbox.add(folder)
        text = TEMPLATE.replace("[flight]", '[flight]\nname = "june"')
        (made / "flight.toml").write_text(text.replace("grey.csv", "own.csv"))
        (made / "own.csv").write_text(CERTIFICATE)
    assert inbox.states() == {"a": "done", "b": "done"}
    assert [c.output.folder.relative_to(inbox.base) for c in inbox.runs] == [
        Path("results/a"),
        Path("results/b"),
    ]


def test_an_own_config_that_leads_out_is_refused(inbox: Inbox) -> None:
    folder = inbox.add("a")
    inbox.add("b")
    text = TEMPLATE.replace("[flight]", '[flight]\nname = "a"\nfolder = "../b"')
    (folder / "flight.toml").write_text(text.replace("grey.csv", "../../grey.csv"))
    result = inbox.sweep()
    assert result.flights[0].state == "failed"
    assert "flight.folder: leads out" in result.flights[0].reason


def test_without_any_config_a_flight_fails_with_the_reason(inbox: Inbox) -> None:
    inbox.settings("settle_minutes = 0", "")
    inbox.add("june")
    assert "no flight.toml" in inbox.sweep().flights[0].reason


def test_files_and_hidden_folders_are_no_flights(inbox: Inbox) -> None:
    (inbox.base / "inbox" / "notes.txt").write_text("x")
    inbox.add(".partial")
    assert inbox.states() == {}
    (inbox.base / "inbox" / "empty").mkdir()
    assert inbox.states() == {"empty": "waiting"}


def test_one_sweep_at_a_time(inbox: Inbox) -> None:
    inbox.add("june")

    def second(config: Config, **options: object) -> Any:
        with pytest.raises(BusyError) as error:
            inbox.sweep()
        assert error.value.exit_code == 3
        return inbox.run(config)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(execute, "run", second)
        assert inbox.states() == {"june": "done"}


def test_a_ledger_of_an_earlier_version_is_brought_up_to_date(inbox: Inbox) -> None:
    inbox.add("june")
    inbox.sweep()
    with sqlite3.connect(inbox.base / "ledger.sqlite") as database:
        database.execute("alter table flights drop column results")
    database.close()
    assert inbox.states() == {"june": "done"}
    assert inbox.states() == {"june": "already done"}


def test_a_spoiled_ledger_is_an_error_that_names_it(inbox: Inbox) -> None:
    (inbox.base / "ledger.sqlite").write_bytes(b"no database" * 100)
    with pytest.raises(OutputError, match="ledger"):
        inbox.sweep()


def test_a_flight_that_left_the_inbox_stays_on_the_page(inbox: Inbox) -> None:
    inbox.add("june")
    inbox.sweep()
    shutil.rmtree(inbox.base / "inbox" / "june")
    inbox.add("july")
    page = inbox.sweep().index.read_text()
    assert "no longer in the inbox" in page
    assert "july" in page


@pytest.mark.parametrize(
    ("text", "template", "key"),
    [
        ("settle_minutes = -1", TEMPLATE, "sweep.settle_minutes"),
        ("attempts = 0", TEMPLATE, "sweep.attempts"),
        ("speed = 1", TEMPLATE, "sweep.speed: unknown key"),
        ('inbox = "absent"', TEMPLATE, "sweep.inbox: no such folder"),
        ('results = "inbox/results"', TEMPLATE, "sweep.results: lies inside the inbox"),
        ('flight_config = "../x.toml"', TEMPLATE, "flight_config: expected a file name"),
        ("", TEMPLATE.replace("grey.csv", "absent.csv"), "panel[0].certificate: no such file"),
        ("", TEMPLATE + '[output]\nfolder = "x"\n', "output.folder: is not for a campaign"),
        ("", TEMPLATE.replace("[flight]", '[flight]\nname = "x"'), "flight.name"),
        ("", TEMPLATE + "[colour]\n", "colour: unknown key"),
        ("", "[flight]\ncubes = 3\n", "flight."),
        ("", "flight = 3\n", "flight"),
        ("", TEMPLATE + "[calibration]\nillumination = 7\n", "calibration.illumination"),
        ("", TEMPLATE + "calibration = 3\n", "calibration"),
    ],
)
def test_a_wrong_campaign_names_the_key(inbox: Inbox, text: str, template: str, key: str) -> None:
    inbox.settings(text, template)
    with pytest.raises(ConfigError) as error:
        inbox.sweep()
    assert key in str(error.value)
    assert not (inbox.base / "results").exists()
    assert not (inbox.base / "ledger.sqlite").exists()


def test_four_flights_one_broken(tmp_path: Path, make_flight_in: Callable[..., Any]) -> None:
    """The real thing, small: three done, one set aside, then nothing to do and no time lost."""
    for i in range(4):
        make_flight_in(tmp_path / "inbox" / f"flight-{i}", cubes=1, lines=80, bands=20, seed=i)
    broken = tmp_path / "inbox" / "flight-2" / "raw"
    (broken / "manifest.sha256").unlink()
    with (broken / "cap-before.raw").open("r+b") as file:
        file.truncate(1000)
    (tmp_path / "campaign.toml").write_text("[sweep]\nsettle_minutes = 0\nattempts = 1\n")
    result = sweep(tmp_path / "campaign.toml", workers=2)
    states = [f.state for f in result.flights]
    assert states == ["done", "done", "set aside", "done"]
    assert "cap-before.raw" in result.flights[2].reason
    assert result.exit_code == 1
    for flight in result.flights:
        if flight.run_folder is not None:
            link = flight.run_folder.relative_to(tmp_path / "results") / "report.html"
            assert link.as_posix() in result.index.read_text()
    code = (
        "import sys\nfrom pipeline.campaign.sweep import sweep\n"
        'result = sweep(sys.argv[1])\nassert result.needing == ("flight-2",), result\n'
        "heavy = {'numpy', 'scipy', 'xarray', 'numba', 'h5py', 'netCDF4'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    # In the processor's seconds, for other tests are at work beside this one.
    began = os.times()
    subprocess.run([sys.executable, "-c", code, tmp_path / "campaign.toml"], check=True)
    ended = os.times()
    spent = ended.children_user + ended.children_system
    assert spent - began.children_user - began.children_system < 3
