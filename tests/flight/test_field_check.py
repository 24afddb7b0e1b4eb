"""`check`: the same judgement without the cubes, and nothing written."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.cli.commands import main
from pipeline.flight.field_check import look
from pipeline.flight.run import run


def test_writes_nothing(plain_copy: Any) -> None:
    before = sorted(plain_copy.folder.rglob("*"))
    look(plain_copy.config)
    assert sorted(plain_copy.folder.rglob("*")) == before


def test_agrees_with_the_run_on_every_check_it_makes(rich_flight: Any, rich_run: Any) -> None:
    looked = {(c["check"], c["subject"]): c for c in look(rich_flight.config).to_json()["checks"]}
    ran = {(c["check"], c["subject"]): c for c in rich_run.document["checks"]}
    judged = {k: c for k, c in looked.items() if c["verdict"] != "not checked"}
    assert len(judged) > 30
    # Free space moves from moment to moment.
    for key, check in judged.items():
        if key[0] not in ("disk-space",) and key in ran and ran[key]["value"] == check["value"]:
            assert ran[key]["verdict"] == check["verdict"], key
    assert {k[0] for k in looked} == {k[0] for k in ran}


def test_json_is_one_object(plain_flight: Any, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(plain_flight.config), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["run_id"] is None
    assert told["verdict"] == "good"
    assert [row["outcome"] for row in told["cubes"]] == ["looked at", "looked at"]
    assert Path(told["page"]).name == "check.html"
    assert Path(told["page"]).is_file()


def test_an_unusable_flight_exits_1(
    tmp_path: Path, make_flight_in: Callable[..., Any], capsys: pytest.CaptureFixture[str]
) -> None:
    flight = make_flight_in(tmp_path, exposure_factor=0.02)
    assert main(["check", str(flight.config)]) == 1
    assert "unusable" in capsys.readouterr().out


def row(document: Any, check: str) -> Any:
    return next(c for c in document["checks"] if c["check"] == check)


def change_a_byte(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(5000)
        byte = file.read(1)[0]
        file.seek(5000)
        file.write(bytes([byte ^ 1]))


def test_the_manifest_is_no_pass_while_the_cubes_are_unread(plain_copy: Any) -> None:
    change_a_byte(plain_copy.folder / "raw" / "strip-01.raw")
    seen = row(look(plain_copy.config).to_json(), "manifest")
    assert seen["verdict"] == "not checked"
    assert "strip-00.raw, strip-01.raw" in seen["says"]
    found = row(run(plain_copy.config, workers=2).document, "manifest")
    assert (found["verdict"], found["subject"]) == ("fail", "strip-01.raw")


def test_a_dark_unlike_its_manifest_is_found_without_the_cubes(plain_copy: Any) -> None:
    dark = next((plain_copy.folder / "raw").glob("cap-*.raw"))
    change_a_byte(dark)
    found = row(look(plain_copy.config).to_json(), "manifest")
    assert (found["verdict"], found["subject"]) == ("fail", dark.name)


def test_a_run_that_read_all_that_is_listed_passes(plain_run: Any) -> None:
    assert row(plain_run.document, "manifest")["verdict"] == "pass"


def test_an_output_folder_that_is_a_file_is_a_wrong_request(
    plain_copy: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    (plain_copy.folder / "results").write_text("")
    for command in ("check", "run"):
        assert main([command, str(plain_copy.config)]) == 2
        assert "output.folder: expected a folder, got a file" in capsys.readouterr().err
    assert main(["run", str(plain_copy.config), "--output", str(plain_copy.config)]) == 2
    assert "--output: expected a folder" in capsys.readouterr().err
