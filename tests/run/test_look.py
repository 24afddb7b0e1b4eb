"""`check`: the same judgement without the cubes, and nothing written."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.cli import main
from pipeline.run.look import look


def test_writes_nothing(plain_copy: Any) -> None:
    before = sorted(plain_copy.folder.rglob("*"))
    look(plain_copy.config)
    assert sorted(plain_copy.folder.rglob("*")) == before


def test_agrees_with_the_run_on_every_check_it_makes(rich_flight: Any, rich_run: Any) -> None:
    looked = {(c["check"], c["subject"]): c for c in look(rich_flight.config)["checks"]}  # type: ignore[attr-defined]
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


def test_an_unusable_flight_exits_1(
    tmp_path: Path, make_flight_in: Callable[..., Any], capsys: pytest.CaptureFixture[str]
) -> None:
    flight = make_flight_in(tmp_path, exposure_factor=0.02)
    assert main(["check", str(flight.config)]) == 1
    assert "unusable" in capsys.readouterr().out
