"""A flight whose files mean another unit, datum, order or clock than they are taken for."""

from __future__ import annotations

import csv
import datetime as dt
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.flight.field_check import look

Change = Callable[[dict[str, str]], dict[str, str]]


def rows(flight: Any) -> dict[str, dict[str, Any]]:
    return {check.check: check.as_dict() for check in look(flight.config).checks}


def rewrite(path: Path, change: Change) -> None:
    with path.open(newline="") as file:
        table = [change(row) for row in csv.DictReader(file)]
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, list(table[0]))
        writer.writeheader()
        writer.writerows(table)


def headers(flight: Any, old: str, new: str) -> None:
    for path in (flight.folder / "raw").glob("*.hdr"):
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))
    (flight.folder / "raw" / "manifest.sha256").unlink()


def test_a_sound_flight_passes(plain_flight: Any) -> None:
    row = rows(plain_flight)["units"]
    assert (row["verdict"], row["value"]) == ("pass", 0)
    assert row["says"].startswith("Frame period and line times, the track's angles, heights and")


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("frame period = 4.5000", "frame period = 4500",
         '"frame period" = { key = "frame period", unit = "us" }'),
        ("frame period = 4.5000", "frame period = 222.2",
         '"frame period" = { key = "frame period", unit = "Hz" }'),
        ("exposure time = 2.4000", "exposure time = 2400",
         '"exposure time" = { key = "exposure time", unit = "us" }'),
    ],
)  # fmt: skip
def test_header_units(plain_copy: Any, old: str, new: str, line: str) -> None:
    headers(plain_copy, old, new)
    row = rows(plain_copy)["units"]
    assert row["verdict"] == "caution"
    assert f"sensor.header_keys.{line}" in row["do"]
    plain_copy.edit("[[panel]]", f"[sensor.header_keys]\n{line}\n\n[[panel]]", "flight.toml")
    text = plain_copy.config.read_text()
    # The first panel alone needs the section before it.
    head, _, rest = text.partition("[sensor.header_keys]")
    first, *others = rest.split(f"[sensor.header_keys]\n{line}\n\n")
    plain_copy.config.write_text(head + "[sensor.header_keys]" + first + "".join(others))
    assert rows(plain_copy)["units"]["verdict"] == "pass"


def test_heights_above_the_sea(plain_copy: Any) -> None:
    def raised(row: dict[str, str]) -> dict[str, str]:
        return row | {"height_m": repr(float(row["height_m"]) + 212)}

    rewrite(plain_copy.folder / "track.csv", raised)
    row = rows(plain_copy)["units"]
    assert row["verdict"] == "caution"
    assert "not above the ground" in row["says"]
    ground = float(row["do"].partition("tables.track.ground_m = ")[2].partition(",")[0])
    assert ground == pytest.approx(212, abs=2), "told from the step of the lines"
    text = plain_copy.config.read_text()
    plain_copy.config.write_text(f"{text}\n[tables.track]\nground_m = {ground}\n")
    assert rows(plain_copy)["units"]["verdict"] == "pass"


def test_radians(plain_copy: Any) -> None:
    angles = ("latitude", "longitude", "roll_deg", "pitch_deg", "heading_deg")

    def turned(row: dict[str, str]) -> dict[str, str]:
        return row | {name: repr(math.radians(float(row[name]))) for name in angles}

    rewrite(plain_copy.folder / "track.csv", turned)
    row = rows(plain_copy)["units"]
    assert 'tables.track.angle = "rad"' in row["do"]
    text = plain_copy.config.read_text()
    plain_copy.config.write_text(f'{text}\n[tables.track]\nangle = "rad"\n')
    assert rows(plain_copy)["units"]["verdict"] == "pass"


def test_latitude_and_longitude_swapped(plain_copy: Any) -> None:
    def swapped(row: dict[str, str]) -> dict[str, str]:
        return row | {"latitude": row["longitude"], "longitude": row["latitude"]}

    rewrite(plain_copy.folder / "track.csv", swapped)
    row = rows(plain_copy)["units"]
    assert "latitude and longitude swapped" in row["says"]
    text = plain_copy.config.read_text()
    columns = 'columns = { latitude = "longitude", longitude = "latitude" }'
    plain_copy.config.write_text(f"{text}\n[tables.track]\n{columns}\n")
    assert rows(plain_copy)["units"]["verdict"] == "pass"


def test_line_times_of_the_local_clock(plain_copy: Any) -> None:
    def later(row: dict[str, str]) -> dict[str, str]:
        local = dt.datetime.fromisoformat(row["time_utc"]) + dt.timedelta(hours=2)
        return row | {"time_utc": local.replace(tzinfo=None).isoformat()}

    for path in (plain_copy.folder / "raw").glob("*.times.csv"):
        rewrite(path, later)
    (plain_copy.folder / "raw" / "manifest.sha256").unlink()
    row = rows(plain_copy)["clock"]
    assert "-2 h (a time zone) added to them would mend it" in row["says"]
    assert "Set tables.line_times.offset_s = -7200" in row["do"]
    text = plain_copy.config.read_text()
    plain_copy.config.write_text(f'{text}\n[tables.line_times]\nzone = "+02:00"\n')
    assert rows(plain_copy)["clock"]["verdict"] == "pass"
