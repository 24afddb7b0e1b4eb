"""What a person is told at the end: cautions in a table, and what could have been checked."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.cli.verdict import show_verdict
from pipeline.records import Check, Verdict
from pipeline.write.run_record import RunRecord


def row(check: str, verdict: Verdict, do: str = "", subject: str = "") -> Check:
    says = f"What was seen of {check}."
    return Check(check, subject, None, "1", None, None, verdict, says, do)


def shown(capsys: pytest.CaptureFixture[str], *rows: Check, **more: Any) -> list[str]:
    words: dict[str, Any] = {"flight": "june", "verdict": "good", "says": "It is good."}
    record = RunRecord(
        run_id=None,
        software="",
        started="",
        ended="",
        outcome="whole",
        cubes=(),
        panels=(),
        checks=rows,
        timings={},
        config={},
        config_sha256="",
        **(words | more),
    )
    show_verdict(record, None)
    return capsys.readouterr().out.splitlines()


def test_what_could_be_checked_is_named_with_what_to_do(
    capsys: pytest.CaptureFixture[str],
) -> None:
    told = shown(
        capsys,
        row("dark-drift", "not checked", "Record a dark after the flight.", "cap-1"),
        row("smile", "not checked"),
        row("manifest", "pass"),
        row("settings-alike", "not checked", "Name the header's keys in sensor.header_keys."),
    )
    assert told == [
        "0 fail, 0 caution, 3 not checked, 1 pass",
        "of the 3 not checked, 2 can be:",
        "  dark-drift cap-1: What was seen of dark-drift. Record a dark after the flight.",
        "  settings-alike: What was seen of settings-alike. "
        "Name the header's keys in sensor.header_keys.",
        "june: good. It is good.",
    ]


def test_nothing_more_is_said_where_nothing_can_be_done(
    capsys: pytest.CaptureFixture[str],
) -> None:
    told = shown(capsys, row("smile", "not checked"), row("manifest", "pass"))
    assert told == ["0 fail, 0 caution, 1 not checked, 1 pass", "june: good. It is good."]


def test_a_caution_is_in_the_table_and_a_pass_is_not(capsys: pytest.CaptureFixture[str]) -> None:
    told = "\n".join(shown(capsys, row("clock", "caution", "Correct it."), row("smile", "pass")))
    assert "clock" in told
    assert "Correct it." in told
    assert "smile" not in told
