"""Tables: right values, and each refusal with its place."""

from __future__ import annotations

import hashlib
import math
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.flags import LineFlag
from pipeline.read.certificate import read_certificate, require_cover, require_no_gap
from pipeline.read.csv_table import read_table
from pipeline.read.manifest import read_manifest
from pipeline.read.tables import (
    line_times_from_start,
    read_irradiance,
    read_line_times,
    read_track,
)
from pipeline.records import Certificate, Settings


def write(folder: Path, content: str | bytes, name: str = "table.csv") -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize(
    "content",
    [
        "n,x,t\n1,2.5,2026-06-01T10:00:00Z\n2,-1e3,2026-06-01T12:00:00.5+02:00\n",
        "\ufeffn,x,t\r\n1,2.5,2026-06-01 10:00\r\n\r\n2,-1e3,2026-06-01T10:00:00.500000\r\n",
        't, note ,"x", n\n2026-06-01T10:00:00,"a,b",2.5, 1\n2026-06-01T10:00:00.5Z,é,-1000,+2\n',
    ],
    ids=["plain", "mark-crlf-blank-line", "other-order-quotes-extra-column"],
)
def test_values(tmp_path: Path, content: str) -> None:
    table = read_table(write(tmp_path, content), {"n": "integer", "x": "number", "t": "time"})
    assert table["n"].tolist() == [1, 2]
    assert table["x"].tolist() == [2.5, -1000]
    # Unix time by `date -u -d 2026-06-01T10:00:00 +%s`.
    assert table["t"].tolist() == [1780308000.0, 1780308000.5]


def test_an_optional_column_may_be_absent(tmp_path: Path) -> None:
    path = write(tmp_path, "a\n1\n")
    assert set(read_table(path, {"a": "number", "b": "number"}, ["b"])) == {"a"}


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "the file is empty"),
        ("\n\n", "the file is empty"),
        ("a,b\n", "the table has no rows"),
        ("a,c\n1,2\n", r"line 1, column b: the column is missing; got a,c"),
        ("a,b,a\n1,2,3\n", "line 1, column a: the column is there twice"),
        ("a;c\n1;2\n", r"line 1, column b: the column is missing; got a,c"),
        ("a\tb\n1\t2,5.0\n", r"line 2, column b: '2,5\.0': expected a number"),
        ("a,b\n1,2\n3\n", r"line 3: expected 2 cells, got 1"),
        ("a,b\n1,2,5\n", r"line 2: expected 2 cells, got 3; decimal commas.*semicolons"),
        ("a,b\n1,\n", "line 2, column b: the cell is empty"),
        ("a,b\n1,2\n\n\n3,x\n", "line 5, column b: 'x': expected a number"),
        ("a,b\n1,nan\n", "line 2, column b: 'nan': expected a number"),
        ("a,b\n1,inf\n", "line 2, column b: 'inf': expected a number"),
        ("a,b\n1,1e999\n", "line 2, column b: '1e999': expected a finite number"),
        ("a,b\n1,1_0\n", "line 2, column b: '1_0': expected a number"),
        ("a,b\n1,٣\n", "line 2, column b: '٣': expected a number"),
        ("a,b\n1.0,2\n", r"line 2, column a: '1\.0': expected a whole number"),
        ("a,b\n" + "9" * 30 + ",2\n", "line 2, column a: '9999.*expected a whole number"),
        (b"a,b\n1,\xff\n", "line 2: not UTF-8 text"),
        ("a,b\n1,2\n".encode("utf-16"), "line 1: (not UTF-8|not a text file)"),
        ("a,b\n1,\0\n", "line 2: not a text file: it holds zero bytes"),
        ("a,b\n1," + "2" * 70_000, "line 2: longer than 65536 bytes"),
        ('a,b\n1,"2\n', "not a table of separated cells: unexpected end of data"),
        ('a,b\n1,"2"x\n', "line 2: not a table of separated"),
        ("a,b\r1,2\r", "line 1: not a table of separated"),
    ],
)
def test_refused_tables(tmp_path: Path, content: str | bytes, message: str) -> None:
    path = write(tmp_path, content)
    with pytest.raises(InputError, match=message) as caught:
        read_table(path, {"a": "integer", "b": "number"})
    assert str(path) in str(caught.value)


@pytest.mark.parametrize(
    "text",
    ["", "10:00", "2026-06-01", "2026-13-01T00:00:00Z", "2026-06-01T10:00:60Z", "1780308000"],
)
def test_refused_times(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError, match="line 2, column t"):
        read_table(write(tmp_path, f"t,x\n{text},1\n"), {"t": "time"})


def test_refused_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_table(tmp_path / "none.csv", {"a": "number"})
    with pytest.raises(InputError, match="a folder; expected a regular file"):
        read_table(tmp_path, {"a": "number"})
    with (tmp_path / "big.csv").open("wb") as file:
        file.truncate(200_000_001)
    with pytest.raises(InputError, match="200000001 bytes; a table has at most 200000000"):
        read_table(tmp_path / "big.csv", {"a": "number"})


@pytest.mark.timeout(20)
def test_a_long_cell_costs_no_backtracking(tmp_path: Path) -> None:
    row = "1" * 65_000 + "x\n"
    with pytest.raises(InputError, match="expected a number"):
        read_table(write(tmp_path, "a\n" + row * 50), {"a": "number"})


def test_rows_beyond_one_piece(tmp_path: Path) -> None:
    content = "a\n" + "".join(f"{i}\n" for i in range(45_000))
    assert (read_table(write(tmp_path, content), {"a": "integer"})["a"] == np.arange(45_000)).all()
    with pytest.raises(InputError, match="line 45002, column a"):
        read_table(write(tmp_path, content + "x\n"), {"a": "integer"})


HEAD = "wavelength_nm,reflectance,expanded_uncertainty\n"


def test_a_certificate(tmp_path: Path) -> None:
    found = read_certificate(write(tmp_path, HEAD + "400,0.48,0.01\n500,0.49,0\n"))
    assert found.wavelength_nm.tolist() == [400, 500]
    assert found.reflectance.tolist() == [0.48, 0.49]
    assert found.expanded_uncertainty.tolist() == [0.01, 0]


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("400,0.5,0.01\n", "one row only"),
        ("400,0.5,0.01\n500,0.5,0.01\n450,0.5,0.01\n", "line 4, column wavelength_nm: not above"),
        ("400,0.5,0.01\n400,0.5,0.01\n", "line 3, column wavelength_nm: not above"),
        ("0.4,0.5,0.01\n0.5,0.5,0.01\n", "line 2, column wavelength_nm.*looks like micrometres"),
        ("-4,0.5,0.01\n500,0.5,0.01\n", "line 2, column wavelength_nm: -4; expected"),
        ("400,56,0.01\n500,0.5,0.01\n", "line 2, column reflectance: 56; .*looks like percent"),
        ("400,0.5,0.01\n500,0,0\n", "line 3, column reflectance: 0; expected a fraction above 0"),
        ("400,0.5,2\n500,0.5,2\n", "line 2, column expanded_uncertainty: 2; .*percent"),
        ("400,0.5,-0.1\n500,0.5,0.01\n", "line 2, column expanded_uncertainty: -0.1; expected 0"),
    ],
)
def test_refused_certificates(tmp_path: Path, rows: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_certificate(write(tmp_path, HEAD + rows))


def certificate_at(*wavelengths: float) -> Certificate:
    rows = np.array(wavelengths, dtype=float)
    return Certificate(rows, np.full(rows.size, 0.5), np.full(rows.size, 0.01))


@pytest.mark.parametrize(
    ("wavelengths", "bands", "fwhm", "message"),
    [
        ([*range(400, 500, 10), *range(600, 700, 10)], [495, 540, 550, 610], 6, "490 and 600.* 3 "),
        ([*range(400, 500, 10), *range(600, 700, 10)], [495, 610], 6, "490 and 600 .* 1 band lies"),
        ([*range(400, 500, 10), *range(600, 700, 10)], [480, 490, 600], 6, None),
        ([*range(400, 500, 10), *range(600, 700, 10)], [540], 55, None),
        ([*range(400, 500, 10), *range(530, 700, 10)], [510], 6, None),
        ([400, 1000], [700], 6, None),
    ],
    ids=["three", "one", "beside", "wide-bands", "short", "two-rows"],
)
def test_gaps_in_a_certificate(
    wavelengths: list[float], bands: list[float], fwhm: float, message: str | None
) -> None:
    centres = np.array(bands, dtype=float)
    args = (certificate_at(*wavelengths), centres, np.full(centres.size, float(fwhm)), Path("c"))
    if message is None:
        require_no_gap(*args)
    else:
        with pytest.raises(InputError, match=message):
            require_no_gap(*args)


def test_cover_of_a_certificate() -> None:
    require_cover(certificate_at(400, 500), np.array([350.0, 500.0]), Path("c.csv"))
    with pytest.raises(InputError, match=r"c\.csv: it covers 400 to 500 nm, and no band lies"):
        require_cover(certificate_at(400, 500), np.array([350.0, 501.0]), Path("c.csv"))


def line_table(folder: Path, seconds: list[float], first: int = 0) -> Path:
    rows = "".join(f"{i},1970-01-01T00:00:{s:06.3f}Z\n" for i, s in enumerate(seconds, first))
    return write(folder, "line,time_utc\n" + rows)


def test_line_times_with_a_gap(tmp_path: Path) -> None:
    path = line_table(tmp_path, [1.0, 1.01, 1.02, 1.05, 1.06, 1.055])
    times = read_line_times(path, 6)
    assert times.time_s.tolist() == [1.0, 1.01, 1.02, 1.05, 1.06, 1.055]
    assert times.flags.tolist() == [0, 0, 0, LineFlag.AFTER_GAP, 0, 0]
    assert times.flags.dtype == np.uint8
    assert times.frame_period_s == pytest.approx(0.01)
    assert read_line_times(path, 6, frame_period_s=0.03).flags.tolist() == [0] * 6
    assert read_line_times(path, 6, frame_period_s=0.03).frame_period_s == 0.03


def test_a_lone_line_has_a_time(tmp_path: Path) -> None:
    times = read_line_times(line_table(tmp_path, [1.5]), 1)
    assert times.time_s.tolist() == [1.5]
    assert math.isnan(times.frame_period_s)


@pytest.mark.parametrize(
    ("first", "lines", "message"),
    [
        (0, 4, "3 rows for a cube of 4 lines"),
        (0, 2, "3 rows for a cube of 2 lines"),
    ],
)
def test_refused_line_times(tmp_path: Path, first: int, lines: int, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_line_times(line_table(tmp_path, [1, 2, 3], first), lines)


def test_lines_are_numbered_one_by_one_from_any_number(tmp_path: Path) -> None:
    path = line_table(tmp_path, [1, 2, 3], first=1)
    assert read_line_times(path, 3).time_s.tolist() == [1, 2, 3]
    path.write_text(path.read_text().replace("2,1970", "4,1970"))
    with pytest.raises(InputError, match="line 3, column line: line number 4; expected 2"):
        read_line_times(path, 3)
    path = write(tmp_path, "time_utc\n1970-01-01T00:00:01Z\n1970-01-01T00:00:02Z\n")
    assert read_line_times(path, 2).time_s.tolist() == [1, 2]


def test_line_times_from_the_header() -> None:
    times = line_times_from_start(Settings(start_s=100.0, frame_period_ms=4.5), 3)
    np.testing.assert_allclose(times.time_s, [100, 100.0045, 100.009], rtol=0, atol=1e-9)
    assert times.flags.tolist() == [LineFlag.TIME_ESTIMATED] * 3
    assert times.frame_period_s == 0.0045


@pytest.mark.parametrize(
    ("settings", "known"),
    [
        (Settings(), 0),
        (Settings(start_s=100.0), 1),
        (Settings(frame_period_ms=4.5), 0),
    ],
    ids=["nothing", "start", "period"],
)
def test_unknown_line_times_are_nan(settings: Settings, known: int) -> None:
    times = line_times_from_start(settings, 3)
    assert np.isfinite(times.time_s).tolist() == [i < known for i in range(3)]
    assert times.flags.tolist() == [LineFlag.TIME_ESTIMATED] * 3


def test_an_irradiance_log(tmp_path: Path) -> None:
    log = read_irradiance(
        write(tmp_path, "time_utc,irradiance\n1970-01-01T00:00:01Z,800\n1970-01-01T00:00:02Z,9e2\n")
    )
    assert (log.time_s.tolist(), log.irradiance.tolist()) == ([1, 2], [800, 900])


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("1970-01-01T00:00:01Z,0\n", "line 2, column irradiance: 0; expected a number above 0"),
        ("1970-01-01T00:00:01Z,-3\n", "line 2, column irradiance"),
        ("1970-01-01T00:00:02Z,1\n1970-01-01T00:00:02Z,1\n", "line 3, column time_utc: not above"),
    ],
)
def test_refused_irradiance(tmp_path: Path, rows: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_irradiance(write(tmp_path, "time_utc,irradiance\n" + rows))


def test_a_track_without_attitude(tmp_path: Path) -> None:
    track = read_track(
        write(tmp_path, "time_utc,latitude,longitude,height_m\n1970-01-01T00:00:01Z,53.1,-8.2,30\n")
    )
    assert (track.latitude[0], track.longitude[0], track.height_m[0]) == (53.1, -8.2, 30)
    assert np.isnan([track.roll_deg, track.pitch_deg, track.heading_deg]).all()


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        ("91,100,30,0,0,0", "column latitude: 91; expected a number between -90 and 90"),
        ("0,-181,30,0,0,0", "column longitude"),
        ("0,0,30000,0,0,0", "column height_m"),
        ("0,0,30,181,0,0", "column roll_deg"),
        ("0,0,30,0,-91,0", "column pitch_deg"),
        ("0,0,30,0,0,361", "column heading_deg"),
    ],
)
def test_refused_tracks(tmp_path: Path, cells: str, message: str) -> None:
    head = "time_utc,latitude,longitude,height_m,roll_deg,pitch_deg,heading_deg\n"
    with pytest.raises(InputError, match="line 2, " + message):
        read_track(write(tmp_path, head + f"1970-01-01T00:00:01Z,{cells}\n"))


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="needs coreutils")
@pytest.mark.parametrize("option", ["--text", "--binary", "--tag"])
def test_manifests_as_coreutils_writes_them(tmp_path: Path, option: str) -> None:
    names = ["strip-00.raw", "two words.raw", "back\\slash", "new\nline"]
    for name in names:
        (tmp_path / name).write_bytes(name.encode())
    out = subprocess.run(
        ["sha256sum", option, *names], cwd=tmp_path, capture_output=True, check=True
    ).stdout
    found = read_manifest(write(tmp_path, out, "manifest.sha256"))
    assert found == {name: hashlib.sha256(name.encode()).hexdigest() for name in names}


SUM = "0" * 64


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "the list is empty"),
        (f"{SUM}  ../x\n", "line 1: the path '../x' leaves its folder"),
        (f"{SUM}  a\n{SUM}  /etc/x\n", "line 2: the path '/etc/x' leaves its folder"),
        (f"{SUM}  a/../../x\n", "leaves its folder"),
        (f"{SUM[:-1]}  a\n", "line 1: expected 64 hexadecimal digits"),
        ("strip-00.raw\n", "line 1: expected 64 hexadecimal digits"),
        (f"{SUM}  a\n{'1' * 64}  ./a\n", "line 2: './a' has two digests"),
        (b"\xff\xfe", "not UTF-8 text"),
    ],
)
def test_refused_manifests(tmp_path: Path, content: str | bytes, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_manifest(write(tmp_path, content, "manifest.sha256"))
