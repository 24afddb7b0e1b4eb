"""What a person is told at the end: cautions in a table, and what could have been checked."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.progress.terminal import show


def row(check: str, verdict: str, do: str = "", subject: str = "") -> dict[str, Any]:
    says = f"What was seen of {check}."
    return {"check": check, "subject": subject, "verdict": verdict, "says": says, "do": do}


def shown(capsys: pytest.CaptureFixture[str], *rows: dict[str, Any]) -> list[str]:
    show({"checks": rows, "flight": "june", "verdict": "good", "says": "It is good."}, None)
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
