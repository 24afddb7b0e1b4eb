"""The record over a season: a steady camera is left in peace, and each change has its own name.

Control charts by the NIST/SEMATECH e-Handbook 6.3.2 are held to its examples in
`tests/published/test_control_charts.py`; here is what a user sees of them.
"""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from past_flights import CAMERA, PANELS, Change, Season, finished, season, with_bad

from pipeline.campaign.camera_record import CameraRecord, QuantityChart, camera_records
from pipeline.campaign.past_runs import PastFlight, Reader
from pipeline.campaign.record import record
from pipeline.cli.commands import main
from pipeline.write.quantities import Quantity

CHANGES = {
    "dark level": Change("dark_level", add=5.0),
    "overall system gain": Change("electrons_per_count", times=0.92),
    "wavelength shift": Change("wavelength_shift", add=0.6),
    "panel grey-24": Change("grey-24", times=0.96),
}
SEEDS = range(30)


def of(made: Season, number: int = 40) -> CameraRecord:
    flights = [
        PastFlight(f"flight-{i + 1:02d}", Path(f"/runs/{i}"), "", q)
        for i, q in enumerate(made.flights(number))
    ]
    (camera,) = camera_records(flights)
    return camera


def alarmed(camera: CameraRecord) -> dict[str, int]:
    """First flight of each chart's alarms, by quantity."""
    return {c.name: c.alarms[0].first for c in camera.charts if c.alarms}


def chart(camera: CameraRecord, name: str) -> QuantityChart:
    return next(c for c in camera.charts if c.name == name)


def test_forty_flights_of_a_steady_camera_alarm_twice_at_most() -> None:
    counts = [sum(len(c.alarms) for c in of(Season(seed=seed)).charts) for seed in SEEDS]
    assert max(counts) <= 2
    assert np.mean(counts) < 0.5


@pytest.mark.parametrize("name", CHANGES)
def test_each_change_is_found_within_five_flights_and_nothing_else(name: str) -> None:
    found, others = [], 0
    for seed in SEEDS:
        first = alarmed(of(Season(seed=seed, change=CHANGES[name])))
        found.append(24 <= first.get(name, 99) < 29)
        others += len(first) - (name in first)
    assert np.mean(found) >= 0.95
    # By chance, as for the steady camera; not because another quantity moved.
    assert others / len(SEEDS) < 0.5


def test_the_alarms_of_one_season_name_the_quantity_alone() -> None:
    for name, change in CHANGES.items():
        first = alarmed(of(Season(seed=3, change=change)))
        assert list(first) == [name]


@pytest.mark.parametrize("quantity", ["dark_level", "electrons_per_count"])
def test_a_slow_drift_is_found_by_the_average_before_a_single_value(quantity: str) -> None:
    rules = []
    for seed in SEEDS:
        camera = of(Season(seed=seed, change=Change(quantity, every=0.1)), 70)
        name = {"dark_level": "dark level", "electrons_per_count": "overall system gain"}[quantity]
        rules.append(next((a.rule for a in chart(camera, name).alarms), ""))
    assert rules.count("ewma") >= 0.9 * len(rules)


def test_a_dark_that_follows_the_temperature_is_no_alarm() -> None:
    rng = np.random.default_rng(5)
    warm = (30 + 5 * np.sin(np.arange(40) / 3) + rng.normal(0, 0.3, 40)).tolist()
    made = Season(seed=5, temperatures=warm)
    flights = []
    for i, quantities in enumerate(made.flights()):
        # 8 counts of dark current at 30 deg C, twice that 7 K above.
        level = quantities.dark_level
        assert level.value is not None
        current = 8 * 2 ** ((warm[i] - 30) / 7)
        q = replace(quantities, dark_level=replace(level, value=level.value + current))
        flights.append(PastFlight(f"{i}", Path(f"/{i}"), "", q))
    (camera,) = camera_records(flights)
    dark = chart(camera, "dark level")
    assert np.ptp(dark.values) > 6
    assert np.ptp(dark.judged) < 1.5
    assert dark.alarms == ()
    assert "as it were at" in dark.notes[0]
    # Ten counts more at the end are no temperature.
    last = flights[-1].quantities
    assert last.dark_level.value is not None
    higher = replace(last.dark_level, value=last.dark_level.value + 10)
    flights[-1] = replace(flights[-1], quantities=replace(last, dark_level=higher))
    assert list(alarmed(camera_records(flights)[0])) == ["dark level"]


def test_a_dark_at_another_gain_is_a_chart_of_its_own() -> None:
    made = Season(seed=6).flights(30)
    flights = []
    for i, q in enumerate(made):
        if i % 3 == 0:
            q = replace(
                q, camera=replace(q.camera, gain=2.0), dark_level=replace(q.dark_level, value=190.0)
            )
        flights.append(PastFlight(f"{i}", Path(f"/{i}"), "", q))
    (camera,) = camera_records(flights)
    names = [c.name for c in camera.charts]
    assert {"dark level at gain 1", "dark level at gain 2"} < set(names)
    told = {name: chart(camera, f"dark level at gain {name}").values for name in (1, 2)}
    assert np.nanmax(told[1]) < 101
    assert np.isfinite(told[1]).sum() == 20
    assert told[2][::3].tolist() == [190.0] * 10
    assert alarmed(camera) == {}


def test_cameras_are_told_apart_by_serial_number_or_by_shape_and_wavelengths() -> None:
    nameless = replace(CAMERA, serial_number="")
    kinds = [
        CAMERA,
        replace(CAMERA, serial_number="L-2042"),
        nameless,
        replace(nameless, wavelengths="0123456789ab"),
        replace(nameless, samples=48),
        replace(CAMERA, wavelengths="0123456789ab"),  # the first one, its header corrected
    ]
    flights = []
    for i, camera in enumerate(kinds):
        (q,) = Season(seed=i, camera=camera).flights(1)
        flights.append(PastFlight(f"{i}", Path(f"/{i}"), "", q))
    found = camera_records(flights)
    assert [[f.flight for f in camera.flights] for camera in found] == [
        ["0", "5"], ["1"], ["2"], ["3"], ["4"],
    ]  # fmt: skip
    assert len({camera.label for camera in found}) == len(found)


def test_new_bad_elements_are_named() -> None:
    made = Season(seed=8).flights(15)
    made[12] = with_bad(made[12], "17 203-206", 5)
    flights = [PastFlight(f"{i}", Path(f"/{i}"), "", q) for i, q in enumerate(made)]
    (camera,) = camera_records(flights)
    assert camera.new_elements[12] == (range(206, 207),)
    assert [i for i, new in enumerate(camera.new_elements) if new] == [12]


def test_a_new_certificate_is_told_and_starts_the_panel_anew(tmp_path: Path) -> None:
    given = {"grey-24": [(0, "old.csv", "2026-03-02"), (20, "new.csv", "2026-05-01")]}
    made = Season(seed=9, certificates=given, change=Change("grey-24", times=0.96, since=20))
    camera = of(made)
    (change,) = camera.certificates
    assert (change.at, change.panel, change.flight) == (20, "grey-24", "flight-21")
    assert "new.csv (measured 2026-05-01) after certificates/old.csv" in change.says
    # What the new certificate says is right for a panel that has darkened.
    assert alarmed(camera) == {}
    folder = season(tmp_path, made)
    record(folder)
    assert "new certificate" in (folder / "record.html").read_text()


def test_flights_are_in_order_of_time_and_by_their_newest_run(tmp_path: Path) -> None:
    folder = season(tmp_path, Season(seed=1), 3)
    (second,) = Season(seed=77).flights(1)
    again = finished(folder, "flight-02", replace(second, flown="2026-02-01T00:00:00Z"), "f" * 12)
    past = Reader().below(folder)
    assert [f.flight for f in past.flights] == ["flight-02", "flight-01", "flight-03"]
    assert past.flights[0].run == again


def test_a_run_is_read_once_while_it_stays_the_same(tmp_path: Path, monkeypatch: Any) -> None:
    folder = season(tmp_path, Season(seed=1), 3)
    read: list[Path] = []
    import pipeline.campaign.past_runs as module

    whole = module.read_run
    monkeypatch.setattr(module, "read_run", lambda run: read.append(run) or whole(run))
    reader = Reader()
    before = [f.flight for f in reader.below(folder).flights]
    assert [f.flight for f in reader.below(folder).flights] == before
    assert len(read) == 3
    finished(folder, "flight-04", Season(seed=2).flights(1)[0])
    assert len(reader.below(folder).flights) == 4
    assert len(read) == 4


DAMAGES = {
    "cut off": lambda text: text[: len(text) // 2],
    "empty": lambda text: "",
    "of another run": lambda text: text.replace(json.loads(text)["run_id"], "0" * 12),
    "text for a number": lambda text: text.replace('"value": 4.0', '"value": "4"'),
    "a number beyond all": lambda text: text.replace('"value": 4.0', '"value": 1e308'),
    "less than no uncertainty": lambda text: text.replace(
        '"uncertainty": 0.17', '"uncertainty": -0.17'
    ),
    "no quantities": lambda text: json.dumps(
        {k: v for k, v in json.loads(text).items() if k != "quantities"}
    ),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_run_is_named_and_passed_over(tmp_path: Path, capsys: Any, damage: str) -> None:
    folder = season(tmp_path, Season(seed=1), 12)
    (run,) = (folder / "flight-05").iterdir()
    file = run / "run.json"
    file.write_text(DAMAGES[damage](file.read_text()))
    assert main(["record", str(folder)]) == 1
    told = capsys.readouterr().out
    assert f"passed over: {run}: " in told
    assert "11 flights" in told
    assert run.name in (folder / "record.html").read_text()


def test_of_a_damaged_newest_run_the_one_before_it_is_taken(tmp_path: Path) -> None:
    folder = season(tmp_path, Season(seed=1), 2)
    (older,) = (folder / "flight-01").iterdir()
    newer = finished(folder, "flight-01", Season(seed=2).flights(1)[0], "e" * 12)
    (newer / "run.json").write_text("{")
    past = Reader().below(folder)
    assert older in [f.run for f in past.flights]
    assert [p.run for p in past.passed_over] == [newer]


@pytest.mark.parametrize("what", ["empty", "absent"])
def test_a_folder_without_runs_is_refused(tmp_path: Path, capsys: Any, what: str) -> None:
    place = tmp_path if what == "empty" else tmp_path / "nowhere"
    assert main(["record", str(place)]) == 2
    assert "the flights' results are in" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_json_has_each_quantity_with_its_flights_and_alarms(tmp_path: Path, capsys: Any) -> None:
    folder = season(tmp_path, Season(seed=3, change=CHANGES["dark level"]))
    assert main(["record", str(folder), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [row["flight"] for row in told["flights"]] == [f"flight-{i:02d}" for i in range(1, 41)]
    dark = told["quantities"]["dark level"]
    assert {"unit", "flights", "values", "uncertainties", "centre", "limit", "alarms"} < set(dark)
    assert dark["unit"] == "count"
    assert dark["centre"] == pytest.approx(np.mean(dark["values"][:10]), rel=1e-12)
    (alarm,) = dark["alarms"]
    assert (alarm["flight"], alarm["rule"]) == ("flight-25", "individuals")
    assert alarm["says"].startswith("Dark level in flight-25 is 105")
    assert {len(q["values"]) for q in told["quantities"].values()} == {40}
    assert {f"panel {name}" for name in PANELS} < set(told["quantities"])
    assert told["passed_over"] == []


def test_the_table_has_a_row_for_each_quantity_and_no_formula(tmp_path: Path) -> None:
    made = Season(seed=4, camera=replace(CAMERA, serial_number="=1+1"))
    folder = season(tmp_path, made, 12)
    result = record(folder)
    with (folder / "record.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    (camera,) = result.cameras
    assert len(rows) == 12 * len(camera.charts)
    first = next(row for row in rows if row["quantity"] == "smile")
    assert float(first["value"]) == pytest.approx(chart(camera, "smile").values[0], rel=1e-6)
    assert all(not row["camera"].startswith("=") for row in rows)
    last = [row for row in rows if row["quantity"] == "dark level"][-1]
    assert float(last["limit"]) == pytest.approx(
        chart(camera, "dark level").chart.half_width[-1], rel=1e-6
    )


class Page(HTMLParser):
    """Links, and what would load from elsewhere."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.tags: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [value or "" for name, value in attributes if name in ("href", "src")]


def test_the_page_links_each_point_to_its_flight_and_needs_nothing_else(tmp_path: Path) -> None:
    folder = season(tmp_path, Season(seed=3, change=CHANGES["panel grey-24"]))
    result = record(folder)
    text = (folder / "record.html").read_text()
    page = Page(text)
    charts = result.cameras[0].charts
    assert len(page.links) == 40 * len(charts)
    runs = {
        f"{f.run.relative_to(folder).as_posix()}/report.html" for f in result.cameras[0].flights
    }
    assert set(page.links) == runs
    assert not {"script", "link", "img", "iframe"} & set(page.tags)
    assert page.tags.count("svg") == len(charts)
    alarm = chart(result.cameras[0], "panel grey-24").alarms[0].says
    assert alarm in text
    assert text.count('class="outside"') == 1


def test_what_strangers_wrote_stays_text_on_the_page(tmp_path: Path) -> None:
    made = Season(seed=4, camera=replace(CAMERA, serial_number="<script>x\u202e"))
    folder = season(tmp_path, made, 11)
    record(folder)
    text = (folder / "record.html").read_text()
    assert "<script>" not in text
    assert "\u202e" not in text
    assert "&lt;script&gt;x\\u202e" in text


def test_elements_beyond_any_memory_are_counted_and_not_listed(tmp_path: Path) -> None:
    made = Season(seed=8, camera=replace(CAMERA, samples=0)).flights(12)
    made[11] = with_bad(made[11], "0-999999999999", 4)
    for i, quantities in enumerate(made):
        finished(tmp_path, f"flight-{i:02d}", quantities)
    record(tmp_path)
    assert "999999999995 new (band/sample)" not in (tmp_path / "record.html").read_text()
    assert "999999999996 new (band/sample): 0/0, 1/0" in (tmp_path / "record.html").read_text()


def test_two_flights_of_one_name_are_told_apart(tmp_path: Path) -> None:
    first, second = Season(seed=8).flights(2)
    finished(tmp_path / "north", "june", first)
    finished(tmp_path / "south", "june", second)
    assert [f.flight for f in Reader().below(tmp_path).flights] == [
        "june (north/june)", "june (south/june)",
    ]  # fmt: skip


@pytest.mark.parametrize("panels", [0, 1, 2])
def test_few_panels_are_no_fault(tmp_path: Path, panels: int) -> None:
    change = Change("grey-03", times=0.9)
    for i, q in enumerate(Season(seed=8, change=change).flights(30)):
        finished(tmp_path, f"flight-{i:02d}", replace(q, panels=q.panels[:panels]))
    result = record(tmp_path)
    named = [c.name for c in result.cameras[0].charts if c.of_panel and c.alarms]
    # Of two panels nobody can tell which one it is, and one has nothing to be compared with.
    assert named == (["panel grey-03", "panel grey-12"] if panels == 2 else [])


@pytest.mark.parametrize("value", [0.0, 1e15, -1e15, 5e-324])
@pytest.mark.parametrize("count", [1, 12])
def test_any_number_that_is_let_in_gives_a_record(tmp_path: Path, value: float, count: int) -> None:
    for i, q in enumerate(Season(seed=8).flights(13)):
        if i >= 13 - count:
            odd = Quantity(value=value, uncertainty=abs(value))
            panels = tuple(replace(p, level=odd) for p in q.panels)
            q = replace(
                q, dark_level=odd, smile=odd, falloff=odd, sensor_temperature=odd, panels=panels
            )
        finished(tmp_path, f"flight-{i:02d}", q)
    result = record(tmp_path)
    json.dumps(result.to_json(), allow_nan=False)
    text = (tmp_path / "record.html").read_text()
    assert "nan" not in text.lower().replace("nano", "")
    assert "inf" not in text.lower().replace("info", "")


def test_the_quantities_of_flights_without_a_time_come_by_when_they_were_run(
    tmp_path: Path,
) -> None:
    for i, q in enumerate(Season(seed=8).flights(3)):
        finished(tmp_path, f"flight-{i}", replace(q, flown=None))
    record(tmp_path)
    assert "? to ?" in (tmp_path / "record.html").read_text()


def test_a_table_that_cannot_be_written_is_told(tmp_path: Path, capsys: Any) -> None:
    folder = season(tmp_path, Season(seed=1), 2)
    (folder / "record.csv").mkdir()
    assert main(["record", str(folder)]) == 1
    assert "record.csv: cannot be written" in capsys.readouterr().err
