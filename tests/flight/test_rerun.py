"""What a rerun does again, and what it does not."""

from __future__ import annotations

import os
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.calibrate import measure, prepare
from pipeline.calibrate.input_manifest import kept_folder
from pipeline.config.flight import load_config
from pipeline.flight import measurement_cache as kept
from pipeline.flight.run import run
from pipeline.read.flat_binary import FlatBinaryReader
from pipeline.synthetic import FlightPlan, make_flight


@pytest.fixture
def flight(tmp_path: Path) -> Path:
    make_flight(tmp_path, FlightPlan(cubes=2, lines=160, samples=96, bands=24, dark_frames=40))
    return tmp_path / "flight.toml"


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often each raw file is opened, and how often the flight is measured."""
    counted: Counter[str] = Counter()
    enter, measured = FlatBinaryReader.__enter__, measure.measure

    def entered(self: FlatBinaryReader) -> FlatBinaryReader:
        counted[self.capture.name] += 1
        return enter(self)

    def again(*args: Any, **kwargs: Any) -> Any:
        counted["measured"] += 1
        return measured(*args, **kwargs)

    monkeypatch.setattr(FlatBinaryReader, "__enter__", entered)
    monkeypatch.setattr(prepare, "measure", again)
    return counted


def scale_certificate(flight: Path, factor: float) -> None:
    path = next((flight.parent / "certificates").glob("*.csv"))
    head, *rows = path.read_text().splitlines()
    cells = [row.split(",") for row in rows]
    changed = [f"{nm},{float(value) * factor:.6f},{u}" for nm, value, u in cells]
    path.write_text("\n".join([head, *changed]) + "\n")


def test_new_panel_values_redo_the_fit_and_the_cubes_only(
    flight: Path, reads: Counter[str]
) -> None:
    first = run(flight)
    assert reads["measured"] == 1
    reads.clear()
    scale_certificate(flight, 1.02)
    second = run(flight)
    assert reads == Counter({"strip-00": 1, "strip-01": 1})
    assert second.folder != first.folder
    assert second.document["follows"] == first.folder.name
    assert (first.folder / "run.json").is_file()


def test_a_kept_measurement_gives_the_numbers_of_a_fresh_one(flight: Path) -> None:
    run(flight)
    scale_certificate(flight, 1.02)
    from_kept = run(flight)
    fresh = run(flight, output=flight.parent / "elsewhere")
    assert fresh.folder.name == from_kept.folder.name
    import netCDF4

    for name in ("strip-00.nc", "strip-01.nc"):
        with (
            netCDF4.Dataset(from_kept.folder / name) as one,
            netCDF4.Dataset(fresh.folder / name) as other,
        ):
            assert set(one.variables) == set(other.variables)
            for key in one.variables:
                np.testing.assert_array_equal(
                    np.ma.getdata(one[key][...]), np.ma.getdata(other[key][...]), err_msg=key
                )


def test_the_same_work_is_not_done_twice(flight: Path, reads: Counter[str]) -> None:
    first = run(flight)
    reads.clear()
    second = run(flight)
    assert second.reused
    assert second.folder == first.folder
    assert not reads


@pytest.mark.parametrize("stem", ["cap-before", "strip-01"])
def test_a_changed_raw_file_is_measured_anew(flight: Path, reads: Counter[str], stem: str) -> None:
    first = run(flight)
    raw = flight.parent / "raw" / f"{stem}.raw"
    data = bytearray(raw.read_bytes())
    data[1000] ^= 1
    raw.write_bytes(data)
    reads.clear()
    second = run(flight)
    assert reads["measured"] == 1
    assert second.folder != first.folder


def test_again_measures_and_replaces(flight: Path, reads: Counter[str]) -> None:
    first = run(flight)
    before = (first.folder / "run.json").stat().st_ino
    reads.clear()
    second = run(flight, again=True)
    assert reads["measured"] == 1
    assert second.folder == first.folder
    assert not second.reused
    assert (second.folder / "run.json").stat().st_ino != before


def test_a_spoilt_kept_measurement_is_no_loss(flight: Path, reads: Counter[str]) -> None:
    run(flight)
    [archive] = kept_folder(load_config(flight)).glob("measured-*.npz")
    os.truncate(archive, archive.stat().st_size // 2)
    scale_certificate(flight, 1.02)
    reads.clear()
    assert run(flight).document["outcome"] == "whole"
    assert reads["measured"] == 1


def test_a_kept_measurement_comes_back_as_it_was(flight: Path) -> None:
    config = load_config(flight)
    measured = prepare.prepare(config).measured
    folder = flight.parent / "kept"
    kept.save(folder, "key", measured)
    back = kept.load(folder, "key")
    assert back is not None
    np.testing.assert_array_equal(back.detector.noise, measured.detector.noise)
    np.testing.assert_array_equal(back.detector.bad.any, measured.detector.bad.any)
    assert [r.panel for r in back.readings] == [r.panel for r in measured.readings]
    for one, other in zip(back.readings, measured.readings, strict=True):
        np.testing.assert_array_equal(one.signal, other.signal)
        assert one.lines == other.lines
        assert one.time_s == other.time_s
    assert back.detector.transfer == measured.detector.transfer
    assert kept.load(folder, "other") is None
