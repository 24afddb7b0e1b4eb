"""The config's words for tables, headers and frames: what is taken and refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.config.flight import Config, load_config
from pipeline.errors import ConfigError

BASE = """
[flight]
name = "june"
cubes = "strip-*.hdr"
darks = "cap-*.hdr"
{flight}
[sensor]
{sensor}
[[panel]]
name = "grey"
certificate = "grey.csv"
where = "search"
{more}
"""


def load(folder: Path, flight: str = "", sensor: str = "", more: str = "") -> Config:
    (folder / "grey.csv").write_text("wavelength_nm,reflectance,expanded_uncertainty\n")
    path = folder / "flight.toml"
    path.write_text(BASE.format(flight=flight, sensor=sensor, more=more), encoding="utf-8")
    return load_config(path)


def test_every_word_of_the_contract_is_taken(tmp_path: Path) -> None:
    config = load(
        tmp_path,
        sensor='header_keys = { "exposure time" = { key = "shutter", unit = "us" }, '
        '"frame period" = { key = "line rate", unit = "Hz" }, gain = "amp" }\n'
        'settings = { "exposure time" = 4.5, "serial number" = "A17" }',
        more="""
[tables.track]
columns = { time_utc = "GPS time", latitude = "Lat", longitude = "Lon", height_m = "AGL" }
time = "unix ms"
zone = "+02:00"
offset_s = -1.5
angle = "rad"
ground_m = 212.0
decimal = ","
delimiter = ";"
[tables.certificate]
scale = 0.01
[flight.frames]
files = "*.tif"
rows = "samples"
""",
    )
    keys, track = config.sensor.header_keys, config.tables.track
    assert (keys.exposure_time.key, keys.exposure_time.unit) == ("shutter", "us")
    assert (keys.frame_period.key, keys.frame_period.unit) == ("line rate", "Hz")
    assert keys.gain.key == "amp"
    assert config.sensor.settings.exposure_time == 4.5
    assert (track.time, track.zone, track.offset_s) == ("unix ms", "+02:00", -1.5)
    assert (track.angle, track.ground_m, track.columns["latitude"]) == ("rad", 212.0, "Lat")
    assert config.tables.certificate.scale == 0.01
    assert config.flight.frames is not None
    assert config.flight.frames.rows == "samples"


@pytest.mark.parametrize(
    ("where", "text", "message"),
    [
        ("more", "[tables.track]\ncolums = {}", "tables.track.colums: unknown key.*columns"),
        ("more", '[tables.track.columns]\nlatitud = "x"', 'columns.latitud: expected "time_utc"'),
        ("more", '[tables.track]\ntime = "unix"', 'tables.track.time: expected "iso", "unix s"'),
        ("more", '[tables.track]\nzone = "CET"', 'zone: expected an offset from UTC such as'),
        ("more", '[tables.track]\nzone = "+15:00"', "zone: expected an offset from UTC"),
        ("more", '[tables.track]\ndelimiter = "::"', 'delimiter: expected ","'),
        ("more", "[tables.certificate]\nscale = 0", "tables.certificate.scale: .* above 0"),
        ("more", '[tables.certificate]\nzone = "UTC"', "tables.certificate.zone: unknown key"),
        ("more", '[flight.frames]\nrows = "lines"', 'flight.frames.rows: expected "bands"'),
        ("more", '[flight.frames]\nrow = "bands"', "flight.frames.row: unknown key.*rows"),
        ("sensor", 'header_keys = { "exposure time" = { key = "x", unit = "h" } }',
         'exposure time.unit: expected "s", "ms" or "us"'),
        ("sensor", 'header_keys = { "exposure time" = { ky = "x" } }', "ky: unknown key.*key"),
        ("sensor", 'header_keys = { "exposure time" = 3 }', "a header's key in quotes, or { key"),
        ("sensor", 'settings = { "exposure time" = 0 }', "time: expected a number above 0"),
        ("sensor", 'settings = { "exposure time" = "4 ms" }', "expected a number; got"),
        ("sensor", 'linearity = "none.csv"', "sensor.linearity: no such file"),
    ],
)  # fmt: skip
def test_words_that_are_none(tmp_path: Path, where: str, text: str, message: str) -> None:
    with pytest.raises(ConfigError, match=message) as caught:
        load(tmp_path, **{where: text})
    assert str(caught.value).isprintable()


HUGE = "1" + "0" * 400


@pytest.mark.parametrize(
    ("where", "text", "message"),
    [
        ("sensor", f"saturation_counts = {'9' * 5000}", "a whole number has thousands of digits"),
        ("sensor", f"saturation_counts = {HUGE}", "saturation_counts: expected a finite number"),
        ("sensor", "full_scale_counts = 1e400", "full_scale_counts: expected a finite number"),
        ("sensor", f"wavelength_nm = [{HUGE}]", r"wavelength_nm\[0\]: expected a finite number"),
        ("sensor", f"fwhm_nm = {HUGE}", "fwhm_nm: expected a number"),
        ("more", "[limits]\ndark-drift = { caution = 1e400 }", "caution: expected a finite"),
        ("more", f"[limits]\ndark-drift = {{ caution = {HUGE} }}", "caution: expected a finite"),
        ("flight", 'track = "a\\u0000b"', r"flight\.track: no such file: .*a\\x00b"),
        ("flight", f'track = "{"x" * 300}"', "flight.track: no such file"),
        ("flight", f'folder = "{"x/" * 3000}"', "flight.folder: no such folder"),
        ("flight", 'folder = "\\u0000"', "flight.folder: no such folder"),
    ],
)
def test_numbers_and_names_beyond_all_bounds(
    tmp_path: Path, where: str, text: str, message: str
) -> None:
    with pytest.raises(ConfigError, match=message) as caught:
        load(tmp_path, **{where: text})
    assert str(caught.value).isprintable()
