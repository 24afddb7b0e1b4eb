"""SIGTERM, as a service manager or a shutdown sends it, ends the work as an interrupt does."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

#: Runs the command line; at the given call it says so and then goes on slowly.
SLOW = """
import pathlib, sys, time
flag = pathlib.Path(sys.argv[1])
{patch}
from pipeline.cli.commands import main
sys.exit(main(sys.argv[2:]))
"""
PLACES = {
    "while the darks are read": """
import pipeline.calibrate.measure as module
original = module.measure_dark
def slow(*arguments, **options):
    flag.write_text("")
    time.sleep(0.4)
    return original(*arguments, **options)
module.measure_dark = slow
""",
    "while the cubes are calibrated": """
import pipeline.calibrate.cube as module
original = module.calibrate_block
def slow(*arguments, **options):
    with flag.open("a") as file:
        file.write(".")
    time.sleep(0.4)
    return original(*arguments, **options)
module.calibrate_block = slow
""",
    "while it is finished": """
import pipeline.flight.finish as module
original = module.write_report
def slow(*arguments, **options):
    flag.write_text("")
    time.sleep(5)
    return original(*arguments, **options)
module.write_report = slow
""",
}


def ended_at(
    place: str, flag: Path, *command: object, number: int = signal.SIGTERM
) -> tuple[int, str]:
    """The command, sent a signal at a place; its exit code and what it said."""
    flag.unlink(missing_ok=True)
    process = subprocess.Popen(
        [sys.executable, "-c", SLOW.format(patch=PLACES[place]), flag, *map(str, command)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    while not flag.exists():
        assert process.poll() is None, process.communicate()
        time.sleep(0.01)
    process.send_signal(number)
    out, err = process.communicate(timeout=60)
    return process.returncode, out + err


@pytest.mark.parametrize("again", [[], ["--again"]], ids=["first", "again"])
@pytest.mark.parametrize("place", PLACES)
def test_a_run_that_is_terminated_leaves_nothing(
    plain_copy: Any, tmp_path: Path, place: str, again: list[str]
) -> None:
    results = tmp_path / "results"
    command = ["run", plain_copy.config, "--output", results, "--workers", "2"]
    if again:
        done = subprocess.run([sys.executable, "-m", "pipeline", *command], check=False)
        assert done.returncode == 0
    # What earlier runs leave to later ones stays, whatever becomes of them.
    before = {p for p in results.rglob("*") if ".kept" not in p.parts}
    code, told = ended_at(place, tmp_path / "flag", *command, *again)
    assert code == 143, told
    assert told.splitlines()[-1] == "reflectory: terminated; nothing half-written is left"
    assert "Traceback" not in told
    there = {p for p in results.rglob("*") if ".kept" not in p.parts}
    assert {p for p in there if p.is_file()} == {p for p in before if p.is_file()}
    assert not [p for p in there if p.name.startswith((".writing", ".removing"))]


def test_a_cube_at_work_ends_between_two_blocks(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = make_flight_in(tmp_path / "flight", cubes=1, lines=640, bands=20)
    place, flag = "while the cubes are calibrated", tmp_path / "flag"
    code, told = ended_at(place, flag, "run", flight.config, "--workers", "1")
    assert code == 143, told
    begun = len(flag.read_text())
    assert 1 <= begun <= 3, f"{begun} of 10 blocks were begun"


def test_an_interrupt_is_told_as_one(plain_copy: Any, tmp_path: Path) -> None:
    place = "while the cubes are calibrated"
    code, told = ended_at(place, tmp_path / "flag", "run", plain_copy.config, number=signal.SIGINT)
    assert code == 130
    assert told.splitlines()[-1] == "reflectory: interrupted; nothing half-written is left"


def test_a_terminated_sweep_costs_no_try(plain_copy: Any, tmp_path: Path) -> None:
    """Three nights stopped by the service manager, and a fourth that is not."""
    (tmp_path / "inbox").mkdir()
    plain_copy.folder.rename(tmp_path / "inbox" / "june")
    campaign = tmp_path / "campaign.toml"
    campaign.write_text("[sweep]\nsettle_minutes = 0\nattempts = 3\n")
    for place in PLACES:
        code, told = ended_at(place, tmp_path / "flag", "sweep", campaign)
        assert code == 143, told
        assert not list((tmp_path / "results").rglob(".writing*"))
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "sweep", campaign],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    assert done.stdout.startswith("done: june, good")
