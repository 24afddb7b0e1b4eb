"""Tables and headers in the user's own words: the same values, however they are written."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import tempfile
import zoneinfo
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.config.sensor import FixedSettings, HeaderKeys, Sensor
from pipeline.config.tables import CertificateTable, IrradianceTable, LineTimesTable, TrackTable
from pipeline.errors import InputError
from pipeline.read.certificate import read_certificate
from pipeline.read.flat_binary import describe
from pipeline.read.tables import read_irradiance, read_line_times, read_track
from pipeline.read.times import gps_to_utc, utc_seconds

Writer = Callable[..., Path]
EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
#: 2026-06-01T10:00:00 UTC by `date -u -d 2026-06-01T10:00:00 +%s`.
START_S = 1780308000


def write(folder: Path, content: str) -> Path:
    path = folder / "table.csv"
    path.write_text(content, encoding="utf-8")
    return path


# -- times


def test_gps_time_follows_the_published_leap_seconds() -> None:
    """Oracle: the list of leap seconds that IANA's time zone database carries (from IERS)."""
    text = resources.files("tzdata").joinpath("zoneinfo/leapseconds").read_text("utf-8")
    rows = [line.split() for line in text.splitlines() if line.startswith("Leap")]
    days = [dt.datetime.strptime(" ".join(row[1:4]), "%Y %b %d") for row in rows]
    after = [(day.replace(tzinfo=dt.UTC) - EPOCH).total_seconds() + 86_400 for day in days]
    since_gps = [moment for moment in after if moment > 315_964_800]
    assert len(since_gps) == 18
    for number, moment in enumerate(since_gps, start=1):
        gps = moment - 315_964_800 + number
        assert gps_to_utc(gps) == moment
        # The second before is the leap second itself, which UTC's count of 1970 has not.
        assert gps_to_utc(gps - 1.5) == moment - 0.5


def test_the_gps_billion() -> None:
    # GPS time 1 000 000 000 s was 2011-09-14 01:46:25 UTC; from memory.
    assert gps_to_utc(1e9) == utc_seconds("2011-09-14T01:46:25Z")
    assert gps_to_utc(0) == utc_seconds("1980-01-06T00:00:00Z")


@pytest.mark.parametrize(
    ("form", "text"),
    [
        ("unix s", "1780308000.25"),
        ("unix ms", "1780308000250"),
        ("unix us", "1780308000250000"),
        ("gps s", str(START_S - 315964800 + 18 + 0.25)),
    ],
)
def test_forms_of_time(tmp_path: Path, form: str, text: str) -> None:
    path = write(tmp_path, f"time_utc\n{text}\n")
    written = LineTimesTable.model_validate({"time": form})
    assert read_line_times(path, 1, written=written).time_s.tolist() == [START_S + 0.25]


def test_zone_and_offset(tmp_path: Path) -> None:
    path = write(tmp_path, "time_utc\n2026-06-01T12:00:00\n2026-06-01T10:00:01Z\n")
    written = LineTimesTable(zone="+02:00", offset_s=-1.5)
    found = read_line_times(path, 2, written=written).time_s
    assert found.tolist() == [START_S - 1.5, START_S - 0.5], "a zone is for times that name none"
    west = read_line_times(path, 2, written=LineTimesTable(zone="-03:30")).time_s
    assert west[0] == START_S + 5.5 * 3600


@pytest.mark.parametrize(
    ("cell", "written", "message"),
    [
        ("1780308000", {}, r'Say tables\.line_times\.time = "unix s" or time = "gps s" in the'),
        ("1780308000000", {}, r'time = "unix ms" in the config'),
        ("1780308000", {"time": "unix ms"}, r"no time of 1990 to 2100 as 'unix ms'.* 'unix s'"),
        ("2026-06-01T10:00:00", {"time": "gps s"}, r'Say tables\.line_times\.time = "iso"'),
        ("01.06.2026 10:00", {}, "expected an ISO 8601 time"),
    ],
)
def test_a_time_of_another_form_is_named(
    tmp_path: Path, cell: str, written: dict[str, str], message: str
) -> None:
    path = write(tmp_path, f"time_utc\n{cell}\n")
    with pytest.raises(InputError, match=message) as caught:
        read_line_times(path, 1, written=LineTimesTable.model_validate(written))
    assert "line 2, column time_utc" in str(caught.value)


# -- separators and names


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|", " "])
def test_delimiters_are_found(tmp_path: Path, delimiter: str) -> None:
    rows = [["line", "time_utc", "note"], ["0", "2026-06-01T10:00:00Z", "a"]]
    path = write(tmp_path, "\n".join(delimiter.join(row) for row in rows))
    assert read_line_times(path, 1).time_s.tolist() == [START_S]


def test_decimal_commas_are_found(tmp_path: Path) -> None:
    head = "wavelength_nm;reflectance;expanded_uncertainty\n"
    found = read_certificate(write(tmp_path, head + "400;0,48;0,01\n500,5;0,49;0\n"))
    assert found.wavelength_nm.tolist() == [400, 500.5]
    assert found.reflectance.tolist() == [0.48, 0.49]
    quoted = 'wavelength_nm,reflectance,expanded_uncertainty\n400,"0,48","0,01"\n500,"0,49",0\n'
    assert read_certificate(write(tmp_path, quoted)).reflectance.tolist() == [0.48, 0.49]


@pytest.mark.parametrize(
    ("rows", "written", "message"),
    [
        ("400;0.48;0,01\n", {}, r"'0,01': a decimal comma.* tables\.certificate\.decimal = \",\""),
        ("400;0,48;0.01\n", {"decimal": ","}, r"'0\.01': a point in a number"),
        ("400;0,48;0,01\n", {"decimal": "."}, r"'0,48': a decimal comma; expected a point"),
        ("1.400;0,48;0,01\n", {}, r"a decimal comma"),
    ],
)
def test_two_decimal_signs_are_refused(
    tmp_path: Path, rows: str, written: dict[str, str], message: str
) -> None:
    head = "wavelength_nm;reflectance;expanded_uncertainty\n"
    with pytest.raises(InputError, match=message):
        read_certificate(write(tmp_path, head + rows), CertificateTable.model_validate(written))


def test_words_before_the_names_are_passed_over(tmp_path: Path) -> None:
    path = write(
        tmp_path, "logger 7; firmware 2,1\n\nsite; saltmarsh\nTime;E\n1780308000;800,5\nx;1\n"
    )
    written = IrradianceTable(columns={"time_utc": "time", "irradiance": "E"}, time="unix s")
    with pytest.raises(InputError, match="line 6, column time: 'x': expected a number"):
        read_irradiance(path, written)
    path.write_text(path.read_text().replace("x;1\n", ""))
    log = read_irradiance(path, written)
    assert (log.time_s.tolist(), log.irradiance.tolist()) == ([START_S], [800.5])


def test_a_missing_column_is_asked_for(tmp_path: Path) -> None:
    path = write(tmp_path, "time_utc,Lat,longitude,height_m\n2026-06-01T10:00:00Z,1,2,3\n")
    with pytest.raises(InputError, match=r'tables\.track\.columns = \{ latitude = "\.\.\." \}'):
        read_track(path)
    found = read_track(path, TrackTable(columns={"latitude": "lat"}))
    assert found.latitude.tolist() == [1], "case alone does not matter where one column is meant"


names = st.text(st.characters(categories=["L", "N"]), min_size=1, max_size=8)
numbers = st.floats(-80, 80).map(lambda x: round(x, 6))


@settings(deadline=None, max_examples=60)
@given(
    rows=st.lists(st.tuples(numbers, numbers, numbers), min_size=1, max_size=6),
    own=st.lists(names, min_size=4, max_size=4, unique_by=str.casefold),
    order=st.permutations(range(4)),
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    decimal=st.sampled_from([".", ","]),
    form=st.sampled_from(["iso", "unix s", "unix ms", "unix us", "gps s"]),
    minutes=st.integers(-14 * 60, 14 * 60),
    offset_s=st.floats(-1e4, 1e4).map(lambda x: round(x, 3)),
    radians=st.booleans(),
    ground_m=st.none() | st.floats(-100, 4000),
    before=st.sampled_from(["", "made by a logger\n", "a;b\n\n"]),
)
def test_a_track_in_any_words(
    rows: list[tuple[float, float, float]],
    own: list[str],
    order: list[int],
    delimiter: str,
    decimal: str,
    form: str,
    minutes: int,
    offset_s: float,
    radians: bool,
    ground_m: float | None,
    before: str,
) -> None:
    """A writer of its own, by the csv module, and the track that it meant."""
    ours = ("time_utc", "latitude", "longitude", "height_m")
    zone = f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    text = io.StringIO()
    text.write(before)
    writer = csv.writer(text, delimiter=delimiter)
    writer.writerow([own[i] for i in order])
    for second, (lat, lon, height) in enumerate(rows):
        utc = START_S + second
        match form:
            case "iso":
                local = EPOCH + dt.timedelta(seconds=utc, minutes=minutes)
                when = local.strftime("%Y-%m-%dT%H:%M:%S")
            case "gps s":
                when = str(utc - 315_964_800 + 18)
            case _:
                when = str(utc * {"unix s": 1, "unix ms": 1000, "unix us": 1_000_000}[form])
        angles = [math.radians(v) if radians else v for v in (lat, lon)]
        values = [f"{v:.17g}" for v in (*angles, height + (ground_m or 0))]
        cells = [when, *(v.replace(".", decimal) for v in values)]
        writer.writerow([cells[i] for i in order])
    written = TrackTable.model_validate(
        {
            "columns": dict(zip(ours, own, strict=True)),
            "time": form,
            "zone": zone,
            "offset_s": offset_s,
            "angle": "rad" if radians else "deg",
            "ground_m": ground_m,
        }
    )
    with tempfile.TemporaryDirectory() as folder:
        found = read_track(write(Path(folder), text.getvalue()), written)
    assert found.time_s.tolist() == [START_S + i + offset_s for i in range(len(rows))]
    np.testing.assert_allclose(found.latitude, [r[0] for r in rows], rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.longitude, [r[1] for r in rows], rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.height_m, [r[2] for r in rows], rtol=0, atol=1e-9)


# -- track, irradiance, certificates

TRACK = "time_utc,latitude,longitude,height_m,roll_deg,pitch_deg,heading_deg\n"


def test_angles_in_radians_and_heights_above_the_sea(tmp_path: Path) -> None:
    cells = ",".join(repr(math.radians(a)) for a in (54.9, 3.2))
    attitude = ",".join(repr(math.radians(a)) for a in (-2.0, 1.5, 270.0))
    path = write(tmp_path, f"{TRACK}2026-06-01T10:00:00Z,{cells},242.5,{attitude}\n")
    found = read_track(path, TrackTable(angle="rad", ground_m=212.0))
    values = [found.latitude, found.longitude, found.height_m]
    values += [found.roll_deg, found.pitch_deg, found.heading_deg]
    np.testing.assert_allclose(np.concatenate(values), [54.9, 3.2, 30.5, -2, 1.5, 270], rtol=1e-14)
    with pytest.raises(InputError, match=r"column latitude: 54\.9; .* rad.*angle = \"deg\""):
        read_track(
            write(tmp_path, f"{TRACK}2026-06-01T10:00:00Z,54.9,3.2,30,0,0,0\n"),
            TrackTable(angle="rad"),
        )


def test_latitude_and_longitude_swapped(tmp_path: Path) -> None:
    path = write(tmp_path, f"{TRACK}2026-06-01T10:00:00Z,151.2,-33.8,30,0,0,0\n")
    message = r'swapped.*columns = \{ latitude = "longitude", longitude = "latitude" \}'
    with pytest.raises(InputError, match=message):
        read_track(path)
    swapped = TrackTable(columns={"latitude": "longitude", "longitude": "latitude"})
    assert read_track(path, swapped).latitude.tolist() == [-33.8]


def test_an_irradiance_log_with_a_column_a_wavelength(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "time_utc,note,410.5,402.0\n2026-06-01T10:00:00Z,a,3,1\n2026-06-01T10:00:01Z,b,4,2\n",
    )
    log = read_irradiance(path)
    assert log.wavelength_nm is not None
    assert log.wavelength_nm.tolist() == [402.0, 410.5]
    assert log.irradiance.tolist() == [[1, 3], [2, 4]]
    assert log.level.tolist() == [2, 3]
    both = write(tmp_path, "time_utc,irradiance,402\n2026-06-01T10:00:00Z,7,1\n")
    assert read_irradiance(both).irradiance.tolist() == [7]
    assert read_irradiance(both).wavelength_nm is None


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("time_utc,402\n2026-06-01T10:00:00Z,7\n", "neither a column of irradiance nor"),
        ("time_utc,0.4,0.5\n2026-06-01T10:00:00Z,7,8\n", "neither a column of irradiance nor"),
        ("time_utc,402,402.0\n2026-06-01T10:00:00Z,7,8\n", "the wavelength is there twice"),
        ("time_utc,402,402\n2026-06-01T10:00:00Z,7,8\n", "the column is there twice"),
        (
            "time_utc,402,406\n2026-06-01T10:00:00Z,7,0\n",
            "line 2, column 406: 0; expected a number",
        ),
    ],
)
def test_refused_logs_by_wavelength(tmp_path: Path, content: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_irradiance(write(tmp_path, content))


def test_a_certificate_in_percent(tmp_path: Path) -> None:
    content = "nm\tR %\tU %\n400\t48.0\t1.0\n500\t49.0\t1.5\n"
    columns = {"wavelength_nm": "nm", "reflectance": "R %", "expanded_uncertainty": "U %"}
    path = write(tmp_path, content)
    with pytest.raises(InputError, match=r"looks like percent.*tables\.certificate\.scale = 0\.01"):
        read_certificate(path, CertificateTable.model_validate({"columns": columns}))
    written = CertificateTable.model_validate({"columns": columns, "scale": 0.01})
    found = read_certificate(path, written)
    np.testing.assert_allclose(found.reflectance, [0.48, 0.49], rtol=1e-15)
    np.testing.assert_allclose(found.expanded_uncertainty, [0.01, 0.015], rtol=1e-15)
    with pytest.raises(InputError, match="fractions already"):
        read_certificate(
            write(tmp_path, "nm\tR %\tU %\n400\t0.48\t0.01\n500\t0.49\t0.01\n"), written
        )


# -- headers


@pytest.mark.parametrize(
    ("name", "key", "text", "field", "value"),
    [
        ("exposure time", {"key": "shutter", "unit": "us"}, "4500", "exposure_ms", 4.5),
        ("exposure time", {"key": "shutter", "unit": "s"}, "0.0045", "exposure_ms", 4.5),
        ("exposure time", {"key": "shutter"}, "4500 us", "exposure_ms", 4.5),
        ("exposure time", "Shutter", "4.5", "exposure_ms", 4.5),
        ("frame period", {"key": "line rate", "unit": "Hz"}, "200", "frame_period_ms", 5.0),
        ("frame period", {"key": "line rate"}, "0.2 kHz", "frame_period_ms", 5.0),
        ("sensor temperature", {"key": "fpa", "unit": "K"}, "300.15", "sensor_temperature_c", 27.0),
        ("sensor temperature", {"key": "fpa"}, "300.15 K", "sensor_temperature_c", 27.0),
        ("acquisition start", {"key": "t0", "unit": "unix ms"}, "1780308000250", "start_s",
         START_S + 0.25),
        ("acquisition start", {"key": "t0", "zone": "+02:00"}, "2026-06-01T12:00:00", "start_s",
         START_S),
        ("serial number", {"key": "camera id"}, "LS-0071", "serial_number", "LS-0071"),
    ],
)  # fmt: skip
def test_settings_in_other_units(
    tmp_path: Path,
    cube_writer: Writer,
    name: str,
    key: object,
    text: str,
    field: str,
    value: object,
) -> None:
    own = key["key"] if isinstance(key, dict) else str(key)
    path = cube_writer(tmp_path, **{own.replace(" ", "_"): text})
    sensor = Sensor(header_keys=HeaderKeys.model_validate({name: key}))
    found = getattr(describe(path, sensor).settings, field)
    assert found == (pytest.approx(value, rel=1e-14) if isinstance(value, float) else value)


@pytest.mark.parametrize(
    ("name", "key", "text", "message"),
    [
        ("exposure time", {"key": "x", "unit": "us"}, "4.5 ms", "the config gives it the unit"),
        ("exposure time", {"key": "x"}, "200 Hz", "expected a number"),
        ("frame period", {"key": "x", "unit": "Hz"}, "0", "out of range"),
        ("frame period", {"key": "x", "unit": "Hz"}, "1e-320", "out of range"),
        ("sensor temperature", {"key": "x"}, "80 F", "expected a number"),
        ("sensor temperature", {"key": "x", "unit": "K"}, "27 degC", "gives it the unit 'k'"),
        ("acquisition start", {"key": "x", "unit": "unix s"}, "2026-06-01T10:00", "'x' is '2026"),
        ("acquisition start", {"key": "x", "unit": "unix s"}, "1780308000000", "'unix ms'"),
    ],
)
def test_refused_settings(
    tmp_path: Path, cube_writer: Writer, name: str, key: object, text: str, message: str
) -> None:
    path = cube_writer(tmp_path, x=text)
    sensor = Sensor(header_keys=HeaderKeys.model_validate({name: key}))
    with pytest.raises(InputError, match=message) as caught:
        describe(path, sensor)
    assert str(path) in str(caught.value)


def test_the_config_stands_in_where_the_header_has_nothing(
    tmp_path: Path, cube_writer: Writer
) -> None:
    given = FixedSettings.model_validate(
        {"exposure time": 4.5, "frame period": 5, "gain": 2, "sensor temperature": 31,
         "serial number": "A17"}
    )  # fmt: skip
    found = describe(cube_writer(tmp_path, exposure_time="3.0"), Sensor(settings=given)).settings
    assert (found.exposure_ms, found.frame_period_ms, found.gain) == (3.0, 5, 2)
    assert (found.sensor_temperature_c, found.serial_number) == (31, "A17")


def test_the_zone_database_is_not_asked_for_names() -> None:
    assert "Europe/Berlin" in zoneinfo.available_timezones()
    with pytest.raises(ValueError, match="an offset from UTC"):
        LineTimesTable(zone="Europe/Berlin")
