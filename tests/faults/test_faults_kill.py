"""A run killed at any moment leaves nothing half-written, and the next one is as if undisturbed."""

from __future__ import annotations

import importlib.util
import random
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from pipeline.write import publish


def program(name: str) -> Any:
    """A long form, which is a script beside this test."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    # Dataclasses look their module up.
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_six_kills(plain_copy: Any, tmp_path: Path) -> None:
    """`run`, `run --again` and `sweep`, each ended by SIGKILL and by SIGTERM."""
    faults = program("kill_many")
    whole, took_s = faults.timed_run(plain_copy.config, tmp_path / "undisturbed")
    chance = random.Random(3)
    moments = [chance.uniform(0.3, 0.9) * took_s for _ in range(6)]
    every = faults.kill_all(plain_copy.config, tmp_path, whole, moments)
    assert sum(victim.at_work for victim in every) >= 2
    assert [what for victim in every for what in victim.found] == []


def test_a_campaign_after_two_killed_sweeps(tmp_path: Path) -> None:
    _, found = program("kill_sweeps").kill_sweeps(tmp_path, 2, seed=3)
    assert found == []


def test_the_check_sees_a_campaign_that_does_not_agree(tmp_path: Path) -> None:
    faults = program("kill_sweeps")
    faults.make_inbox(tmp_path)
    _, found = faults.undisturbed(tmp_path)
    assert found == []
    (tmp_path / "results" / ".index.html.x1").touch()
    assert list(faults.faults_of(tmp_path)) == [f"left: {tmp_path}/results/.index.html.x1"]
    shutil.rmtree(next((tmp_path / "results" / "july").rglob("run.json")).parent)
    found = list(faults.faults_of(tmp_path))
    assert "the ledger tells of other runs or states" in found
    assert any(what.startswith("the index leads elsewhere") for what in found)


def test_the_check_sees_a_half_written_run(plain_run: Any, tmp_path: Path) -> None:
    faults = program("kill_many")
    place = tmp_path / "results" / "june" / plain_run.folder.name
    place.mkdir(parents=True)
    assert faults.half_written(tmp_path / "results")
    for path in plain_run.folder.iterdir():
        (place / path.name).write_bytes(path.read_bytes())
    assert faults.half_written(tmp_path / "results") == []
    content = bytearray((place / "strip-00.nc").read_bytes())
    content[len(content) // 2] ^= 1
    (place / "strip-00.nc").write_bytes(content)
    assert faults.half_written(tmp_path / "results")


def test_two_runs_of_one_flight_at_once(plain_copy: Any, tmp_path: Path) -> None:
    faults = program("kill_many")
    results = tmp_path / "results"
    both = [
        subprocess.Popen(
            faults.command(plain_copy.config, "--output", str(results)),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    said = [process.communicate(timeout=120) for process in both]
    assert [process.returncode for process in both] == [0, 0], said
    assert len(faults.run_folders(results)) == 1
    assert faults.half_written(results) == []


def test_two_sweeps_at_once(plain_copy: Any, tmp_path: Path) -> None:
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    plain_copy.folder.rename(inbox / "june")
    (tmp_path / "campaign.toml").write_text("[sweep]\nsettle_minutes = 0\n")
    # The first sweep waits within its flight until the second has been turned away.
    code = (
        "import sys, time, pathlib\nimport pipeline.flight.run as execute\n"
        "run, flag = execute.run, pathlib.Path(sys.argv[2])\n"
        "def slow(*a, **k):\n"
        "    flag.write_text('at work')\n"
        "    while flag.exists(): time.sleep(0.02)\n"
        "    return run(*a, **k)\n"
        "execute.run = slow\n"
        "from pipeline.campaign.sweep import sweep\n"
        "sys.exit(sweep(sys.argv[1]).exit_code)"
    )
    flag, campaign = tmp_path / "flag", tmp_path / "campaign.toml"
    first = subprocess.Popen([sys.executable, "-c", code, campaign, flag])
    try:
        while not flag.exists():
            assert first.poll() is None
        second = subprocess.run(
            [sys.executable, "-m", "pipeline", "sweep", campaign],
            capture_output=True,
            text=True,
            check=False,
        )
    finally:
        flag.unlink(missing_ok=True)
    assert second.returncode == 3
    assert second.stderr.count("\n") == 1
    assert "another sweep is at work" in second.stderr
    assert first.wait(60) == 0


@pytest.mark.parametrize("rename", [1, 2, 3, 9])
def test_a_run_is_not_lost_when_its_replacement_is_killed(
    plain_run: Any, tmp_path: Path, rename: int
) -> None:
    """Killed before each of the renames that put a new run in the place of an earlier one."""
    folder = tmp_path / "june"
    shutil.copytree(plain_run.folder, folder / plain_run.folder.name)
    code = (
        "import os, pathlib, shutil, signal, sys\nfrom pipeline.write import publish\n"
        "folder, name, count = pathlib.Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])\n"
        "rename = pathlib.Path.rename\n"
        "def killed(self, target):\n"
        "    global count\n"
        "    count -= 1\n"
        "    if not count: os.kill(os.getpid(), signal.SIGKILL)\n"
        "    return rename(self, target)\n"
        "pathlib.Path.rename = killed\n"
        "with publish.staging(folder) as place:\n"
        "    shutil.copytree(folder / name, place, dirs_exist_ok=True)\n"
        "    publish.publish(place, folder / name, replace=True)\n"
    )
    name = plain_run.folder.name
    done = subprocess.run([sys.executable, "-c", code, folder, name, str(rename)], check=False)
    assert done.returncode == (-9 if rename < 9 else 0)
    publish.clear_leftovers(folder)
    assert [p.name for p in folder.iterdir()] == [name]
    assert program("kill_many").half_written(tmp_path) == []
