"""Standard output and error that are closed, full, or left by their reader."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

COMMAND = f"{sys.executable} -m pipeline"
ROOT = Path(__file__).parents[2]


def shell(command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["bash", "-c", command], cwd=ROOT, capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize("more", ["", " --json"])
def test_a_full_disk_behind_standard_output_is_one_line(plain_flight: Any, more: str) -> None:
    done = shell(f"{COMMAND} check {plain_flight.config}{more} > /dev/full")
    assert done.returncode == 1
    told = [line for line in done.stderr.splitlines() if line.startswith("reflectory:")]
    assert len(told) == 1
    assert "standard output: cannot be written: No space left" in told[0]
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr


def test_closed_streams_take_nothing_from_the_verdict(plain_flight: Any) -> None:
    done = shell(f"{COMMAND} check {plain_flight.config} >&-")
    assert (done.returncode, "Traceback" in done.stderr) == (0, False)
    done = shell(f"{COMMAND} check {plain_flight.config} 2>&-")
    assert done.returncode == 0
    assert "good" in done.stdout
    done = shell(f"{COMMAND} check nothing.toml --json 2>&-")
    assert (done.returncode, done.stdout) == (2, "")
    assert shell(f"{COMMAND} check nothing.toml 2>/dev/full").returncode == 2


def test_a_reader_that_leaves_ends_it_in_silence(plain_flight: Any) -> None:
    piped = f"{COMMAND} check {plain_flight.config} --json | head -c 5; echo ${{PIPESTATUS[0]}}"
    done = shell(piped)
    assert done.stdout.endswith("1\n")
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr
