"""The README tells what the code does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline.cli.commands import build_parser
from pipeline.cli.reference import updated
from pipeline.radiometry.limits import LIMITS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_tables_are_those_the_code_makes() -> None:
    assert updated(README) == README, "run: python -m pipeline.cli.reference"


@pytest.mark.parametrize("name", LIMITS)
def test_every_check_has_one_anchor(name: str) -> None:
    assert README.count(f'<a id="{name}"></a>') == 1


def test_every_command_is_listed() -> None:
    [commands] = [a for a in build_parser()._actions if a.dest == "command"]
    listed = set(re.findall(r"^\| `reflectory (\w+)", README, flags=re.MULTILINE))
    assert listed == set(commands.choices)


def test_linked_files_are_there() -> None:
    targets = re.findall(r"\]\(([^)#:]+)\)", README)
    assert len(targets) > 5
    missing = [target for target in targets if not (ROOT / target).exists()]
    assert not missing


def test_ci_runs_the_command_that_the_readme_gives() -> None:
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "-e '.[test]'" in README
    assert "-e '.[test]'" in ci
    assert "-m pytest" in README
    assert "-m pytest" in ci


def test_no_other_folder_stands_at_the_top() -> None:
    allowed = {"pipeline", "tests", "configs", "sample_data"}
    tracked = {p.name for p in ROOT.iterdir() if p.is_dir() and not p.name.startswith(".")}
    made_here = {"results", "demo", "big", "venv", "build", "dist", "reflectory.egg-info"}
    assert tracked - made_here <= allowed | {"__pycache__"}
