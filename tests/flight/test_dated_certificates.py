"""A panel's certificate is the one that held on the flight's day, and the run knows no other."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from typing import Any

import pytest

from pipeline.calibrate.flight_day import on_day, on_its_day
from pipeline.config.flight import load_config
from pipeline.errors import ConfigError
from pipeline.flight.field_check import look
from pipeline.flight.run import run

#: The flight of `conftest.PLAIN` is of 2026-06-18.
PLAIN = 'certificate = "certificates/grey-24.csv"'
HOLDS = '{{ file = "certificates/grey-24.csv", from = {} }}'
LATER = '{{ file = "certificates/later.csv", from = {} }}'


def listed(*entries: str) -> str:
    return f"certificate = [{', '.join(entries)}]"


def given(flight: Any, *entries: str) -> Any:
    """The flight with these certificates for the panel grey-24, and a second file there."""
    folder = flight.config.parent / "certificates"
    rows = (folder / "grey-24.csv").read_text().splitlines()
    paler = [rows[0], *(_times(row, 1.1) for row in rows[1:])]
    (folder / "later.csv").write_text("\n".join(paler) + "\n")
    text = flight.config.read_text()
    assert PLAIN in text
    start = text.index(PLAIN)
    part = text[start:].split("[[panel]]")[0]
    without = "\n".join(line for line in part.splitlines() if not line.startswith("measured"))
    flight.config.write_text(text.replace(part, without.replace(PLAIN, listed(*entries)) + "\n\n"))
    return flight


def _times(row: str, factor: float) -> str:
    nm, value, u = row.split(",")
    return f"{nm},{float(value) * factor:.5f},{u}"


def test_the_day_picks_and_the_run_is_that_of_this_certificate_alone(plain_copy: Any) -> None:
    alone = plain_copy.config.read_text()
    copy = plain_copy.config.parent / "alone.toml"
    start = alone.index(PLAIN)
    measured = alone[start:].split("measured = ")[1][:10]
    flight = given(plain_copy, HOLDS.format(measured), LATER.format("2026-09-01"))
    copy.write_text(alone)
    with_list = run(flight.config, workers=1)
    assert run(copy, workers=1).reused
    names = {item.name for item in with_list.record.inputs}
    assert "certificates/grey-24.csv" in names
    assert "certificates/later.csv" not in names


def test_another_certificate_of_a_later_day_leaves_the_id(plain_copy: Any) -> None:
    flight = given(plain_copy, HOLDS.format("2026-03-02"))
    first = run(flight.config, workers=1)
    shutil.copy(flight.config, flight.config.parent / "more.toml")
    more = (flight.config.parent / "more.toml").read_text()
    one = HOLDS.format("2026-03-02")
    more = more.replace(one, f"{one}, {LATER.format('2026-06-19')}")
    (flight.config.parent / "more.toml").write_text(more)
    again = run(flight.config.parent / "more.toml", workers=1)
    assert again.reused
    assert again.record.run_id == first.record.run_id


def test_from_its_first_day_on_the_later_one_holds(plain_copy: Any) -> None:
    alone = plain_copy.config.read_text()
    flight = given(plain_copy, HOLDS.format("2026-03-02"), LATER.format("2026-06-18"))
    result = run(flight.config, workers=1)
    names = {item.name for item in result.record.inputs}
    assert "certificates/later.csv" in names
    assert "certificates/grey-24.csv" not in names
    quantities = result.record.quantities
    assert quantities is not None
    (panel,) = (p for p in quantities.panels if p.panel == "grey-24")
    assert (panel.certificate, panel.measured) == ("certificates/later.csv", "2026-06-18")
    copy = flight.config.parent / "alone.toml"
    before, after = alone.split(PLAIN)
    after = re.sub(r"measured = \S+", "measured = 2026-06-18", after, count=1)
    copy.write_text(before + PLAIN.replace("grey-24", "later") + after)
    assert run(copy, workers=1).reused


def test_a_flight_before_the_first_certificate_is_refused(plain_copy: Any) -> None:
    flight = given(plain_copy, HOLDS.format("2026-06-19"), LATER.format("2026-09-01"))
    for call in (run, look):
        with pytest.raises(
            ConfigError,
            match=r"panel\[\d\]\.certificate: the flight of 2026-06-18 lies before .*"
            "grey-24, which holds from 2026-06-19 on",
        ):
            call(flight.config)


def test_without_a_day_there_is_no_choice(plain_copy: Any) -> None:
    flight = given(plain_copy, HOLDS.format("2026-03-02"), LATER.format("2026-09-01"))
    with pytest.raises(ConfigError, match="nothing tells the day"):
        on_day(load_config(flight.config), None)


def test_one_certificate_is_handed_back_as_it_was(plain_flight: Any) -> None:
    config = load_config(plain_flight.config)
    assert on_its_day(config) is config
    assert on_day(config, dt.date(1990, 1, 1)) is config


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("[]", "got an empty list"),
        ('["a.csv"]', r"certificate\[0\]: expected a table"),
        ("[{ from = 2026-03-02 }]", r"certificate\[0\]\.file: expected a path"),
        ('[{ file = "certificates/grey-24.csv" }]', r"certificate\[0\]\.from: expected a date"),
        ('[{ file = "a.csv", from = "2026-03-02" }]', r"certificate\[0\]\.from: expected a date"),
        (
            '[{ file = "a.csv", from = 2026-03-02T10:00:00 }]',
            r"certificate\[0\]\.from: expected a date",
        ),
        (
            '[{ file = "a.csv", from = 2026-03-02, until = 2026-04-01 }]',
            r"certificate\[0\]\.until: unknown key",
        ),
        (
            '[{ file = "a.csv", from = 2026-03-02 }, { file = "b.csv", from = 2026-03-02 }]',
            r"certificate\[1\]\.from: expected a day after 2026-03-02",
        ),
        (
            '[{ file = "nowhere.csv", from = 2026-03-02 }]',
            r"no such file: .*nowhere\.csv",
        ),
    ],
)
def test_what_is_wrong_with_a_list_is_said(plain_copy: Any, value: str, says: str) -> None:
    flight = given(plain_copy)
    flight.edit("certificate = []", f"certificate = {value}")
    with pytest.raises(ConfigError, match=says):
        load_config(flight.config)


def test_a_day_of_measurement_beside_a_list_is_refused(plain_copy: Any) -> None:
    flight = given(plain_copy)
    entry = HOLDS.format("2026-03-02")
    flight.edit("certificate = []", f"certificate = [{entry}]\nmeasured = 2026-03-02")
    with pytest.raises(ConfigError, match="leave it out"):
        load_config(flight.config)


def test_a_foreign_flight_cannot_reach_out_by_a_dated_certificate() -> None:
    from pipeline.config.named_files import named_values

    table = {"panel": [{"certificate": [{"file": "../a.csv"}, {"file": "b.csv"}]}]}
    assert list(named_values(table)) == [
        ("panel[0].certificate[0].file", "../a.csv"),
        ("panel[0].certificate[1].file", "b.csv"),
    ]
