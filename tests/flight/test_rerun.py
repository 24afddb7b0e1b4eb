"""What a rerun does again, and what it does not."""

from __future__ import annotations

import os
import re
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.calibrate import measure, prepare
from pipeline.calibrate.input_manifest import take_inputs
from pipeline.config.flight import load_config
from pipeline.flight import measurement_cache as kept
from pipeline.flight.run import run
from pipeline.flight.run_folders import kept_folder
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


def test_a_kept_measurement_with_a_flipped_bit_is_never_taken(
    flight: Path, reads: Counter[str]
) -> None:
    """Anywhere in the file, at any of 60 places: what is not as it was saved is measured anew."""
    run(flight)
    folder = kept_folder(load_config(flight))
    [archive] = folder.glob("measured-*")
    content = archive.read_bytes()
    key = archive.name.removeprefix("measured-").removesuffix(".npz")
    assert kept.load(folder, key) is not None
    for place in np.linspace(0, len(content) - 1, 60).astype(int):
        flipped = bytearray(content)
        flipped[place] ^= 1 << (place % 8)
        archive.write_bytes(flipped)
        assert kept.load(folder, key) is None, f"byte {place}"
    archive.write_bytes(content)
    archive.rename(archive.with_name(archive.name.replace(key, "0" * 16)))
    assert kept.load(folder, "0" * 16) is None, "under another key"
    scale_certificate(flight, 1.02)
    reads.clear()
    assert run(flight).document["outcome"] == "whole"
    assert reads["measured"] == 1


@pytest.mark.parametrize("content", [b"", b"x" * 31, b"\0" * 32, b"PK\x03\x04" * 100])
def test_what_is_no_kept_measurement_raises_nothing(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "measured-a.npz").write_bytes(content)
    assert kept.load(tmp_path, "a") is None
    (tmp_path / "measured-b.npz").mkdir()
    assert kept.load(tmp_path, "b") is None


def test_an_interrupt_while_a_measurement_is_kept_leaves_nothing(
    flight: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: Any) -> None:
        raise KeyboardInterrupt

    run(flight)
    folder = kept_folder(load_config(flight))
    before = {p.name for p in folder.iterdir()}
    scale_certificate(flight, 1.02)
    monkeypatch.setattr(os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        run(flight, again=True)
    assert {p.name for p in folder.iterdir()} == before


@pytest.mark.parametrize("change", ["certificate", "coverage factor"])
def test_a_panel_found_by_region_is_measured_anew_with_its_certificate(
    tmp_path: Path, reads: Counter[str], change: str
) -> None:
    """The certificate decides which patch near the region is the panel."""
    plan = FlightPlan(cubes=2, lines=160, samples=96, bands=24, dark_frames=40, where="region")
    make_flight(tmp_path, plan)
    flight = tmp_path / "flight.toml"
    run(flight)
    if change == "certificate":
        scale_certificate(flight, 1.01)
    else:
        text = flight.read_text()
        flight.write_text(text.replace('use = "fit"', 'use = "fit"\ncoverage_factor = 3.0', 1))
    reads.clear()
    run(flight)
    assert reads["measured"] == 1


@pytest.mark.parametrize(
    ("text", "measured"),
    [
        ("[quality]\nlow_signal_snr = 4.0\n", 0),
        ("[limits]\ndark-drift = { caution = 2 }\n", 0),
        ("[calibration]\ncertificates_correlated = true\n", 0),
    ],
)
def test_what_the_measurement_does_not_ask_finds_the_old_one(
    flight: Path, reads: Counter[str], text: str, measured: int
) -> None:
    run(flight)
    old = flight.read_text()
    section = text.splitlines()[0]
    if section in old:
        flight.write_text(old.replace(section, text.strip()))
    else:
        flight.write_text(old + "\n" + text)
    reads.clear()
    assert not run(flight).reused
    assert reads["measured"] == measured


def test_what_the_measurement_asks_is_measured_anew(flight: Path, reads: Counter[str]) -> None:
    run(flight)
    flight.write_text(flight.read_text().replace("= 4000", "= 3990"))
    reads.clear()
    assert not run(flight).reused
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


def test_the_key_of_a_measurement_holds_the_panels_places(flight: Path) -> None:
    config = load_config(flight)
    inputs = take_inputs(config)
    key = kept.measurement_key(config, inputs)
    text = flight.read_text()
    moved = re.sub(r"lines = \[(\d+)", lambda m: f"lines = [{int(m[1]) + 1}", text, count=1)
    assert moved != text
    flight.write_text(moved)
    assert kept.measurement_key(load_config(flight), inputs) != key
