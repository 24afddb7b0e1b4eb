"""A flight of another camera and another logger gives the same cubes, its files as they are."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from pipeline.flight.run import RunResult, run

EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)

WORDS = """
[sensor.header_keys]
"exposure time" = { key = "shutter", unit = "us" }
"frame period" = { key = "line time", unit = "s" }
"sensor temperature" = { key = "chip", unit = "K" }
"acquisition start" = { key = "first line", zone = "+02:00" }
[sensor.settings]
gain = 1

[tables.line_times]
columns = { line = "No", time_utc = "Stamp" }
time = "unix us"
[tables.track]
time = "gps s"
ground_m = 212.0
[tables.track.columns]
time_utc = "gps"
latitude = "Breite"
longitude = "L\u00e4nge"
height_m = "NN"
roll_deg = "r"
pitch_deg = "p"
heading_deg = "h"
[tables.irradiance]
columns = { time_utc = "local", irradiance = "E" }
zone = "+02:00"
offset_s = -1.5
[tables.certificate]
columns = { wavelength_nm = "nm", reflectance = "R", expanded_uncertainty = "U" }
"""


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def seconds(text: str) -> dt.timedelta:
    return dt.datetime.fromisoformat(text) - EPOCH


def write(path: Path, head: list[str], rows: list[list[object]], delimiter: str, sign: str) -> None:
    lines = [delimiter.join(head)]
    lines += [delimiter.join(str(cell).replace(".", sign) for cell in row) for row in rows]
    path.write_text("logger of another make\n" + "\n".join(lines) + "\n", encoding="utf-8")


def headers(raw: Path) -> None:
    for path in raw.glob("*.hdr"):
        text = path.read_text().partition("\n")[2]
        start = next(line for line in text.splitlines() if line.startswith("acquisition start"))
        local = seconds(start.partition(" = ")[2]) + dt.timedelta(hours=2) + EPOCH
        text = text.replace(start, f"first line = {local.replace(tzinfo=None).isoformat()}")
        text = text.replace("exposure time = 2.4000", "shutter = 2400")
        text = text.replace("frame period = 4.5000", "line time = 0.0045")
        text = text.replace("sensor temperature = 34.00", "Chip = 307.15").replace("gain = 1\n", "")
        path.write_text("Recorder 12, deck 2\n" + text)
        path.with_suffix(".raw").rename(path.with_suffix(".frames"))


def tables(folder: Path) -> None:
    for path in (folder / "raw").glob("*.times.csv"):
        micro = [
            [i + 1, round(seconds(row["time_utc"]) / dt.timedelta(microseconds=1))]
            for i, row in enumerate(rows_of(path))
        ]
        write(path, ["No", "Stamp"], micro, "\t", ".")
    names = ["latitude", "longitude", "height_m", "roll_deg", "pitch_deg", "heading_deg"]
    track = []
    for row in rows_of(folder / "track.csv"):
        gps = seconds(row["time_utc"]).total_seconds() - 315_964_800 + 18
        values = [row[name] for name in names]
        values[2] = repr(float(row["height_m"]) + 212.0)
        track.append([f"{gps:.6f}", *values])
    write(folder / "track.csv", ["gps", "Breite", "Länge", "NN", "r", "p", "h"], track, ";", ",")
    log = []
    for row in rows_of(folder / "irradiance.csv"):
        local = seconds(row["time_utc"]) + dt.timedelta(hours=2, seconds=1.5) + EPOCH
        log.append([local.replace(tzinfo=None).isoformat(" "), row["irradiance"]])
    write(folder / "irradiance.csv", ["local", "E"], log, "|", ".")
    for path in (folder / "certificates").glob("*.csv"):
        values = [list(row.values()) for row in rows_of(path)]
        write(path, ["nm", "R", "U"], values, ";", ",")


def stored(result: RunResult, name: str) -> np.ndarray[Any, Any]:
    with h5py.File(result.folder / "strip-01.nc") as cube:
        return np.asarray(cube[name][()])


def test_files_in_other_words_give_the_same_cubes(rich_copy: Any, rich_run: RunResult) -> None:
    headers(rich_copy.folder / "raw")
    (rich_copy.folder / "raw" / "manifest.sha256").unlink()
    tables(rich_copy.folder)
    rich_copy.config.write_text(rich_copy.config.read_text() + WORDS, encoding="utf-8")
    result = run(rich_copy.config, workers=2)
    assert result.document["outcome"] == "whole"
    for name in ("reflectance", "reflectance_uncertainty", "quality_flag", "line_flag", "time"):
        expected = stored(rich_run, name)
        found = stored(result, name)
        if name == "time":
            np.testing.assert_allclose(found, expected, rtol=0, atol=1e-6)
        else:
            np.testing.assert_array_equal(found, expected, err_msg=name)
    for name in ("latitude", "longitude"):
        np.testing.assert_allclose(stored(result, name), stored(rich_run, name), atol=1e-9)


@pytest.mark.parametrize(
    ("file", "words", "says"),
    [
        ("certificates/grey-50.csv", "scale = 0.01", "fractions already"),
        ("certificates/grey-50.csv", "scale = 100.0", "looks like percent"),
    ],
)
def test_words_that_do_not_fit_are_named(plain_copy: Any, file: str, words: str, says: str) -> None:
    from pipeline.errors import InputError

    text = plain_copy.config.read_text() + f"\n[tables.certificate]\n{words}\n"
    plain_copy.config.write_text(text)
    with pytest.raises(InputError, match=says):
        run(plain_copy.config)


def test_the_configs_wavelengths_are_those_of_the_cubes(
    plain_copy: Any, plain_run: RunResult
) -> None:
    shifted = stored(plain_run, "wavelength") + 1.5
    values = ", ".join(f"{value:.3f}" for value in shifted)
    plain_copy.edit("[sensor]", f"[sensor]\nwavelength_nm = [{values}]")
    result = run(plain_copy.config, workers=2)
    np.testing.assert_allclose(stored(result, "wavelength"), shifted, rtol=0, atol=1e-9)
    with h5py.File(result.folder / "strip-01.nc") as cube:
        assert "band centres from sensor.wavelength_nm" in str(cube.attrs["history"])
