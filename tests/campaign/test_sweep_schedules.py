"""The examples in configs/: the configs describe a flight, the schedules start a sweep."""

from __future__ import annotations

import configparser
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element

import pytest
from defusedxml import ElementTree

from pipeline.campaign.config import load_campaign
from pipeline.campaign.sweep import sweep
from pipeline.cli.commands import main
from pipeline.flight.finished_runs import finished_runs
from pipeline.synthetic.__main__ import main as simulate

CONFIGS = Path(__file__).parents[2] / "configs"
TASK = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"
UNITS = tuple(
    f"reflectory-{of}.{kind}" for of in ("sweep", "summary") for kind in ("service", "timer")
)
PROGRAM = [sys.executable, "-m", "pipeline"]


@pytest.fixture(scope="module")
def flight(tmp_path_factory: pytest.TempPathFactory, make_flight_in: Callable[..., Any]) -> Any:
    return make_flight_in(tmp_path_factory.mktemp("example"), cubes=1, lines=80, bands=20)


def simulated_as_told(config: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Make the flight that a config's first comment gives the command of; FOLDER is `folder`."""
    comment = (CONFIGS / config).read_text().partition("\n\n")[0]
    (command,) = re.findall(r"^#   python -m pipeline\.synthetic (.*)$", comment, re.MULTILINE)
    monkeypatch.chdir(folder)
    # Fewer dark frames than the thousand by default: the test is of the names.
    assert simulate([*shlex.split(command.replace("FOLDER", ".")), "--dark-frames", "120"]) == 0


@pytest.mark.parametrize("name", ["one-panel", "three-tarps", "irradiance-log"])
def test_an_example_config_runs_on_the_flight_that_it_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    simulated_as_told(f"{name}.toml", tmp_path, monkeypatch)
    shutil.copy(CONFIGS / f"{name}.toml", tmp_path)
    capsys.readouterr()
    assert main(["run", str(tmp_path / f"{name}.toml"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["outcome"], document["verdict"]) == ("whole", "good")


def test_the_example_campaign_sweeps_the_flight_that_it_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    simulated_as_told("campaign.toml", tmp_path, monkeypatch)
    shutil.move(tmp_path / "inbox" / "june" / "certificates", tmp_path)
    (tmp_path / "inbox" / "june" / "flight.toml").unlink()
    shutil.copy(CONFIGS / "campaign.toml", tmp_path)
    (flight,) = sweep(tmp_path / "campaign.toml", now=lambda: 1e9).flights
    assert flight.state == "waiting"
    (flight,) = sweep(tmp_path / "campaign.toml", now=lambda: 1e9 + 601).flights
    assert (flight.state, flight.verdict) == ("done", "good"), flight.reason


@pytest.fixture
def campaign(flight: Any, tmp_path: Path) -> Path:
    """The example campaign with one flight that brings no config; settled at once."""
    flight.copy(tmp_path / "inbox" / "june")
    own = tmp_path / "inbox" / "june"
    (own / "flight.toml").unlink()
    shutil.move(own / "certificates", tmp_path / "certificates")
    text = (CONFIGS / "campaign.toml").read_text()
    assert "settle_minutes = 10 " in text
    text = text.replace("settle_minutes = 10 ", "settle_minutes = 0 ")
    (tmp_path / "campaign.toml").write_text(text)
    return tmp_path


def test_the_example_campaign_is_read(campaign: Path) -> None:
    config = load_campaign(campaign / "campaign.toml").config_of(campaign / "inbox" / "june")
    assert config.flight.name == "june"
    assert config.flight.folder == campaign / "inbox" / "june" / "raw"
    assert config.flight.track == campaign / "inbox" / "june" / "track.csv"


def placed(command: str, folder: Path) -> str:
    """The command with the places of this machine."""
    program = " ".join(map(shlex.quote, PROGRAM))
    found = command.replace("/usr/local/bin/reflectory", program)
    assert found != command
    return found.replace("/srv/flights", str(folder))


def require_swept(folder: Path) -> None:
    (run,) = finished_runs(folder / "results" / "june")
    assert (folder / "results" / "june" / "latest").resolve() == run.resolve()
    events = [json.loads(line) for line in (folder / "sweep.jsonl").read_text().splitlines()]
    assert events[-1]["event"] == "flight done"
    assert events[-1]["flight"] == "june"
    assert {e["cube"] for e in events if "cube" in e} == {"strip-00"}


def unit(name: str) -> configparser.RawConfigParser:
    parser = configparser.RawConfigParser(strict=True)
    parser.optionxform = str  # type: ignore[assignment, method-assign]
    parser.read(CONFIGS / name)
    return parser


def test_the_service_starts_a_sweep(campaign: Path) -> None:
    service, timer = unit("reflectory-sweep.service"), unit("reflectory-sweep.timer")
    assert service["Service"]["Type"] == "oneshot"
    assert timer["Timer"]["Unit"] == "reflectory-sweep.service"
    assert timer["Timer"]["OnCalendar"]
    assert timer["Install"]["WantedBy"] == "timers.target"
    command = shlex.split(placed(service["Service"]["ExecStart"], campaign))
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("done: june")
    require_swept(campaign)


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd here")
def test_systemd_accepts_the_units(tmp_path: Path) -> None:
    for name in UNITS:
        text = (CONFIGS / name).read_text()
        # The program and the user of the example are not on this machine.
        text = text.replace("/usr/local/bin/reflectory", "/bin/true")
        text = text.replace("User=flights\n", "")
        (tmp_path / name).write_text(text)
    names = sorted(map(str, tmp_path.iterdir()))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *names],
        capture_output=True,
        text=True,
        check=False,
    )
    ours = [line for line in done.stderr.splitlines() if "reflectory" in line]
    assert ours == []
    for name in UNITS:
        for calendar in re.findall(r"OnCalendar=(.*)", (CONFIGS / name).read_text()):
            subprocess.run(
                ["systemd-analyze", "calendar", calendar], capture_output=True, check=True
            )


def test_the_crontab_line_starts_a_sweep(campaign: Path) -> None:
    text = (CONFIGS / "crontab.txt").read_text()
    line, _ = (row for row in text.splitlines() if row[0] in "*0123456789")
    *when, command = line.split(maxsplit=5)
    assert all(re.fullmatch(r"[0-9*/,-]+", part) for part in when)
    assert len(when) == 5
    # cron ends a command at a bare percent sign
    assert "%" not in command
    done = subprocess.run(["/bin/sh", "-c", placed(command, campaign)], check=False)
    assert done.returncode == 0, (campaign / "sweep.txt").read_text()
    assert "\ndone: june" in (campaign / "sweep.txt").read_text()
    require_swept(campaign)


def test_the_windows_task_starts_a_sweep(campaign: Path) -> None:
    root: Element = ElementTree.parse(CONFIGS / "windows-task.xml").getroot()
    assert root.tag == f"{TASK}Task"
    assert {child.tag.removeprefix(TASK) for child in root} == {
        "RegistrationInfo",
        "Triggers",
        "Principals",
        "Settings",
        "Actions",
    }
    execute = root.find(f"{TASK}Actions/{TASK}Exec")
    assert execute is not None
    assert execute.findtext(f"{TASK}Command") == "wsl.exe"
    option, _, command = str(execute.findtext(f"{TASK}Arguments")).partition(" ")
    assert option == "--exec"
    done = subprocess.run(shlex.split(placed(command, campaign)), check=False)
    assert done.returncode == 0
    require_swept(campaign)


@pytest.fixture
def mailed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A summary, and a `mail` that keeps what it is given; the file that it keeps it in."""
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / "summary.txt").write_text("1 flight needs somebody\n")
    program = tmp_path / "bin" / "mail"
    program.parent.mkdir()
    program.write_text(f'#!/bin/sh\necho "$@" > {tmp_path}/mailed; cat >> {tmp_path}/mailed\n')
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{program.parent}:{os.environ['PATH']}")
    return tmp_path / "mailed"


MAIL = "-s Flights flights@example.org\n1 flight needs somebody\n"


def test_the_service_mails_the_summary(mailed: Path) -> None:
    service, timer = unit("reflectory-summary.service"), unit("reflectory-summary.timer")
    assert service["Service"]["Type"] == "oneshot"
    assert timer["Timer"]["Unit"] == "reflectory-summary.service"
    assert timer["Install"]["WantedBy"] == "timers.target"
    command = service["Service"]["ExecStart"].replace("/srv/flights", str(mailed.parent))
    subprocess.run(shlex.split(command), check=True)
    assert mailed.read_text() == MAIL


def test_the_windows_task_mails_the_summary(mailed: Path) -> None:
    root: Element = ElementTree.parse(CONFIGS / "windows-summary-task.xml").getroot()
    execute = root.find(f"{TASK}Actions/{TASK}Exec")
    assert execute is not None
    assert execute.findtext(f"{TASK}Command") == "wsl.exe"
    option, _, command = str(execute.findtext(f"{TASK}Arguments")).partition(" ")
    assert option == "--exec"
    subprocess.run(shlex.split(command.replace("/srv/flights", str(mailed.parent))), check=True)
    assert mailed.read_text() == MAIL


def test_cron_mails_the_summary(mailed: Path) -> None:
    rows = [r for r in (CONFIGS / "crontab.txt").read_text().splitlines() if r[0] != "#"]
    assert rows[0].startswith("MAILTO=")
    *when, command = rows[-1].split(maxsplit=5)
    assert when == ["0", "7", "*", "*", "*"]
    told = command.replace("/srv/flights", str(mailed.parent))
    done = subprocess.run(["/bin/sh", "-c", told], capture_output=True, text=True, check=True)
    assert done.stdout == "1 flight needs somebody\n"
