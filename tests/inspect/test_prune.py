"""Which runs may go: those that a later, whole one of their flight follows, and no other."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from pipeline.cli.commands import main
from pipeline.errors import InputError
from pipeline.flight.run import run
from pipeline.inspect.prune import superseded
from pipeline.inspect.verify import exit_code, verify


@pytest.fixture
def three(plain_copy: Any) -> list[Path]:
    """Three runs of one flight, each with other limits, the later following the earlier."""
    text = plain_copy.config.read_text()
    made = []
    for limit in (2.0, 3.0, 4.0):
        plain_copy.config.write_text(
            f"{text}\n[limits]\nsensor-temperature = {{ caution = {limit} }}\n"
        )
        made.append(run(plain_copy.config, workers=1).folder)
        # Told apart by their times, which a fast disk may give alike.
        os.utime(made[-1] / "run.json", (limit * 1e9, limit * 1e9))
    return made


def names(found: list[Any]) -> list[str]:
    return [one.run.name for one in found]


def test_all_but_the_newest_are_listed_and_nothing_is_removed(
    three: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    results = three[0].parents[1]
    assert names(superseded(results)) == [r.name for r in three[:2]]
    assert main(["prune", str(results)]) == 0
    told = capsys.readouterr().out
    assert told.count("would be removed:") == 2
    assert "add --yes" in told
    assert all(r.is_dir() for r in three)


def test_with_yes_they_go_and_the_newest_is_whole(three: list[Path]) -> None:
    results = three[0].parents[1]
    assert main(["prune", str(results), "--yes"]) == 0
    assert [r.exists() for r in three] == [False, False, True]
    assert exit_code(verify(three[2], inputs=False)) == 0
    assert [p for p in three[2].parent.iterdir() if p.name.startswith(".removing")] == []
    assert superseded(results) == []


def test_what_is_kept_or_unknown_or_not_whole_stays(three: list[Path]) -> None:
    results = three[0].parents[1]
    assert names(superseded(results, [three[0].name])) == [three[1].name]
    assert names(superseded(results, [str(three[1])])) == [three[0].name]
    with pytest.raises(InputError, match="no run 0000 to keep"):
        superseded(results, ["0000"])
    (three[0] / "report.html").unlink()
    assert names(superseded(results)) == [three[1].name]


def test_a_run_is_not_superseded_by_one_that_is_not_whole(three: list[Path]) -> None:
    """The last good one stays, whatever a broken later one says."""
    results = three[0].parents[1]
    next(three[2].glob("*.nc")).unlink()
    assert names(superseded(results)) == [three[0].name]


def test_links_and_strangers_are_let_alone(three: list[Path], tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    shutil.copytree(three[0].parent, outside)
    results = three[0].parents[1]
    shutil.rmtree(three[0].parent)
    (results / "flight").symlink_to(outside)
    assert superseded(results) == []
    assert main(["prune", str(results), "--yes"]) == 0
    assert len([p for p in outside.iterdir() if not p.name.startswith(".")]) == 3


def test_a_record_that_lies_about_its_id_removes_nothing(three: list[Path]) -> None:
    document = json.loads((three[1] / "run.json").read_text())
    document["run_id"] = three[0].name
    (three[1] / "run.json").write_text(json.dumps(document))
    found = names(superseded(three[0].parents[1]))
    assert three[1].name not in found
    assert three[2].name not in found


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        superseded(tmp_path / "nowhere")
