"""A sweep compares each flight with those before it, and keeps the record up to date."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from past_flights import CAMERA, Change, Season, finished, season

from pipeline.campaign.flight_in_record import against_record
from pipeline.campaign.past_runs import Reader
from pipeline.campaign.record_of_results import RecordOfResults
from pipeline.campaign.sweep import sweep
from pipeline.flight.run import run
from pipeline.radiometry.checks.past_flights import Comparison, camera_record, panel_record
from pipeline.write.quantities import Quantities, Quantity
from pipeline.write.run_record import read_run

FILES = ("record.csv", "record.html")


def campaign(base: Path, make_flight_in: Callable[..., Any]) -> Path:
    make_flight_in(base / "inbox" / "june", cubes=1, lines=80, bands=20)
    (base / "campaign.toml").write_text("[sweep]\nsettle_minutes = 0\nattempts = 1\n")
    return base / "campaign.toml"


def before(quantities: Quantities, folder: Path, dark: float, flights: int = 12) -> None:
    """Flights of the same camera in the weeks before, their dark level lower by `dark`."""
    rng = np.random.default_rng(1)
    assert quantities.dark_level.value is not None
    for i in range(flights):
        level = quantities.dark_level.value - dark + float(rng.normal(0, 0.1))
        day = dt.date(2026, 4, 1) + dt.timedelta(days=i)
        earlier = replace(
            quantities,
            flown=f"{day.isoformat()}T10:00:00Z",
            dark_level=replace(quantities.dark_level, value=level),
        )
        finished(folder, f"spring-{i:02d}", earlier)


def rows_of(record: Any) -> dict[str, Any]:
    return {c.check: c for c in record.checks if c.check.endswith("-record")}


def test_a_camera_that_changed_is_a_row_of_the_run_and_no_part_of_its_id(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    text = campaign(tmp_path, make_flight_in)
    alone = run(tmp_path / "inbox" / "june" / "flight.toml", output=tmp_path / "alone")
    assert rows_of(alone.record) == {}
    assert alone.record.quantities is not None
    before(alone.record.quantities, tmp_path / "results", dark=5.0)
    (flight,) = sweep(text).flights
    assert flight.run_folder is not None
    record = read_run(flight.run_folder)
    assert record.run_id == alone.record.run_id
    row = rows_of(record)["camera-record"]
    assert (row.verdict, row.value, row.subject) == ("caution", 1.0, "dark level")
    assert "above the mean of the first 10 flights" in row.says
    assert "record.html" in row.do
    assert rows_of(record)["panel-record"].verdict == "pass"
    assert record.verdict == "caution"
    page = (tmp_path / "results" / "record.html").read_text()
    assert "13 flights" in page
    assert row.says[1:].rstrip(".") in page


def test_with_too_few_flights_before_it_the_rows_say_so(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    (flight,) = sweep(campaign(tmp_path, make_flight_in)).flights
    assert flight.run_folder is not None
    record = read_run(flight.run_folder)
    for row in rows_of(record).values():
        assert row.verdict == "not checked"
        assert row.says.startswith("0 flights of this camera before this one")
    assert record.verdict == "good"
    assert all((tmp_path / "results" / name).is_file() for name in FILES)


def config_of(name: str, results: Path) -> Any:
    return SimpleNamespace(
        flight=SimpleNamespace(name=name), output=SimpleNamespace(folder=results)
    )


def test_own_runs_other_cameras_and_later_flights_are_none_before_it(tmp_path: Path) -> None:
    results = season(tmp_path, Season(seed=1), 12)
    (other,) = Season(seed=5, camera=replace(CAMERA, serial_number="L-9")).flights(1)
    finished(results, "other", other)
    compares = against_record(results, Reader())
    quantities = Season(seed=1).flights(12)
    for i in (0, 5, 11):
        camera, panels = compares(config_of(f"flight-{i + 1:02d}", results), quantities[i])
        assert camera.flights == panels.flights == i
        assert bool(camera.judged) == (i >= 10)


def test_the_panel_that_changed_is_named_and_no_quantity_of_the_camera(tmp_path: Path) -> None:
    change = Change("grey-24", times=0.96)
    made = Season(seed=2, change=change).flights(25)
    for i, quantities in enumerate(made[:24]):
        finished(tmp_path, f"flight-{i + 1:02d}", quantities)
    camera, panels = against_record(tmp_path, Reader())(config_of("new", tmp_path), made[24])
    assert camera.outside == {}
    assert list(panels.outside) == ["panel grey-24"]
    row = panel_record(panels)
    assert (row.verdict, row.subject) == ("caution", "panel grey-24")
    assert row.says.startswith("panel grey-24 in new is \u22124 %, 4 % below the mean")


def test_the_row_of_a_camera_as_before_passes_and_counts() -> None:
    row = camera_record(Comparison(flights=30, judged=8, outside={}))
    assert (row.verdict, row.value) == ("pass", 0.0)
    assert row.says == "8 quantities as in the flights before, 30."


def test_the_record_is_remade_where_it_is_not_of_the_runs_there_are(tmp_path: Path) -> None:
    folder = season(tmp_path / "results", Season(seed=1), 3)

    def files() -> list[tuple[int, bytes]]:
        return [((folder / n).stat().st_mtime_ns, (folder / n).read_bytes()) for n in FILES]

    RecordOfResults(folder).bring_up_to_date()
    first = files()
    RecordOfResults(folder).bring_up_to_date()
    assert files() == first
    finished(folder, "flight-04", Season(seed=9).flights(1)[0])
    RecordOfResults(folder).bring_up_to_date()
    assert b"flight-04" in files()[0][1]
    assert b"4 flights" in files()[1][1]
    shutil.rmtree(folder / "flight-04")
    RecordOfResults(folder).bring_up_to_date()
    assert b"flight-04" not in files()[0][1]
    (folder / "record.html").unlink()
    RecordOfResults(folder).bring_up_to_date()
    assert b"3 flights" in files()[1][1]


@pytest.mark.parametrize("kept", [(), ("record.csv",), ("record.csv", "record.html")])
def test_a_sweep_killed_while_it_wrote_the_record_leaves_it_to_the_next(
    tmp_path: Path, kept: tuple[str, ...]
) -> None:
    folder = season(tmp_path / "results", Season(seed=1), 3)
    for name in kept:  # what was written of the new record, its stamp not
        (folder / name).write_text("older")
    RecordOfResults(folder).bring_up_to_date()
    assert "3 flights" in (folder / "record.html").read_text()
    assert "flight-03" in (folder / "record.csv").read_text()


def test_without_results_no_record_is_made(tmp_path: Path) -> None:
    RecordOfResults(tmp_path / "results").bring_up_to_date()
    assert not (tmp_path / "results").exists()


def test_a_quantity_that_is_not_known_is_not_judged(tmp_path: Path) -> None:
    results = season(tmp_path, Season(seed=1), 12)
    (new,) = Season(seed=3, start=dt.datetime(2026, 9, 1, tzinfo=dt.UTC)).flights(1)
    compares = against_record(results, Reader())
    whole, _ = compares(config_of("new", results), new)
    silent = replace(new, smile=Quantity(value=None), wavelength_shift=Quantity(value=None))
    part, _ = compares(config_of("new", results), silent)
    assert part.judged == whole.judged - 2
