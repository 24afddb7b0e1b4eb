"""Headers: every accepted form, and each refusal by its message."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from pipeline.config.sensor import HeaderKeys, Sensor
from pipeline.errors import ConfigError, InputError
from pipeline.read.flat_binary import FlatBinary, describe
from pipeline.read.reader import bytes_missing, require_whole

SENSOR = Sensor()
Writer = Callable[..., Path]


def test_a_whole_header_is_described(tmp_path: Path, cube_writer: Writer) -> None:
    path = cube_writer(
        tmp_path,
        fwhm="{5, 6, 7}",
        exposure_time="4.0",
        frame_period="4.5 ms",
        gain="2",
        sensor_temperature="-12.5 °C",
        acquisition_start="2026-06-01T10:00:00.25Z",
    )
    capture = describe(path, SENSOR)
    assert (capture.name, capture.data) == ("strip-00", tmp_path / "strip-00.raw")
    assert (capture.lines, capture.bands, capture.samples) == (4, 3, 5)
    assert capture.wavelength_nm.tolist() == [500, 510, 520]
    assert capture.fwhm_nm.tolist() == [5, 6, 7]
    assert capture.settings.exposure_ms == 4.0
    assert capture.settings.frame_period_ms == 4.5
    assert capture.settings.gain == 2
    assert capture.settings.sensor_temperature_c == -12.5
    # Unix time by `date -u -d 2026-06-01T10:00:00 +%s`.
    assert capture.settings.start_s == 1780308000.25
    require_whole(capture)
    assert bytes_missing(capture) == 0


def test_absent_settings_are_nan(tmp_path: Path, cube_writer: Writer) -> None:
    settings = describe(cube_writer(tmp_path, gain=""), SENSOR).settings
    assert settings.serial_number == ""
    assert all(math.isnan(v) for v in vars(settings).values() if isinstance(v, float))


def test_keys_can_be_renamed_and_case_does_not_matter(tmp_path: Path, cube_writer: Writer) -> None:
    path = cube_writer(tmp_path, Integration_MS="3.5")
    sensor = Sensor(header_keys=HeaderKeys(exposure_time="integration ms"))
    assert describe(path, sensor).settings.exposure_ms == 3.5


@pytest.mark.parametrize(
    ("text", "milliseconds"),
    [("4.5", 4.5), ("4500 us", 4.5), ("4500 µs", 4.5), ("0.0045 s", 4.5), ("{4.5}", 4.5)],
)
def test_exposure_units(
    tmp_path: Path, cube_writer: Writer, text: str, milliseconds: float
) -> None:
    capture = describe(cube_writer(tmp_path, exposure_time=text), SENSOR)
    assert capture.settings.exposure_ms == pytest.approx(milliseconds, rel=1e-15)


@pytest.mark.parametrize(
    ("start", "seconds"),
    [
        ("2026-06-01T10:00:00", 1780308000.0),
        ("2026-06-01 10:00:00Z", 1780308000.0),
        ("2026-06-01T12:00:00+02:00", 1780308000.0),
        ("1970-01-01T00:00:00.5z", 0.5),
        ("0001-01-01T00:00:00+23:59", -62135683140.0),
    ],
)
def test_acquisition_start_is_utc(
    tmp_path: Path, cube_writer: Writer, start: str, seconds: float
) -> None:
    capture = describe(cube_writer(tmp_path, acquisition_start=start), SENSOR)
    assert capture.settings.start_s == seconds


@pytest.mark.parametrize(
    ("units", "values", "nm"),
    [
        ("nm", "{500, 510, 520}", [500, 510, 520]),
        ("Nanometers", "{500, 510, 520}", [500, 510, 520]),
        ("Micrometers", "{0.5, 0.51, 0.52}", [500, 510, 520]),
        ("um", "{0.5, 0.51, 0.52}", [500, 510, 520]),
        ("µm", "{0.5, 0.51, 0.52}", [500, 510, 520]),
        ("\u03bcm", "{0.5, 0.51, 0.52}", [500, 510, 520]),
        ("microns", "{0.5, 0.51, 0.52}", [500, 510, 520]),
        (None, "{0.5, 0.51, 0.52}", [500, 510, 520]),
        (None, "{500, 510, 520}", [500, 510, 520]),
        ("Unknown", "{500, 510, 520}", [500, 510, 520]),
        ("nm", "{500,\n 510,\n 520}", [500, 510, 520]),
        ("nm", "{500, 510, 520,}", [500, 510, 520]),
    ],
)
def test_wavelength_units(
    tmp_path: Path, cube_writer: Writer, units: str | None, values: str, nm: list[float]
) -> None:
    path = cube_writer(tmp_path, wavelength=values, wavelength_units=units)
    np.testing.assert_allclose(describe(path, SENSOR).wavelength_nm, nm, rtol=1e-14)


def test_micrometre_fwhm_is_scaled_too(tmp_path: Path, cube_writer: Writer) -> None:
    path = cube_writer(
        tmp_path, wavelength="{0.5,0.51,0.52}", wavelength_units="um", fwhm="{0.005,0.005,0.006}"
    )
    np.testing.assert_allclose(describe(path, SENSOR).fwhm_nm, [5, 5, 6], rtol=1e-14)


def test_unsorted_bands_are_sorted_with_their_widths(tmp_path: Path, cube_writer: Writer) -> None:
    path = cube_writer(tmp_path, wavelength="{520, 500, 510}", fwhm="{7, 5, 6}")
    capture = describe(path, SENSOR)
    assert isinstance(capture.stored, FlatBinary)
    assert capture.stored.order.tolist() == [1, 2, 0]
    assert capture.wavelength_nm.tolist() == [500, 510, 520]
    assert capture.fwhm_nm.tolist() == [5, 6, 7]


def test_band_spacing_stands_in_for_fwhm(tmp_path: Path, cube_writer: Writer) -> None:
    path = cube_writer(tmp_path, wavelength="{530, 500, 510}")
    assert describe(path, SENSOR).fwhm_nm.tolist() == [10, 15, 20]


def test_config_fills_what_the_header_lacks(tmp_path: Path, cube_writer: Writer) -> None:
    path = cube_writer(tmp_path, wavelength=None, wavelength_units=None)
    capture = describe(path, Sensor(wavelength_nm=(600, 400, 500), fwhm_nm=4))
    assert capture.wavelength_nm.tolist() == [400, 500, 600]
    assert capture.fwhm_nm.tolist() == [4, 4, 4]
    capture = describe(path, Sensor(wavelength_nm=(600, 400, 500), fwhm_nm=(6, 4, 5)))
    assert capture.fwhm_nm.tolist() == [4, 5, 6]


def test_a_lone_band_needs_its_width(tmp_path: Path, cube_writer: Writer) -> None:
    counts = np.zeros((2, 1, 3), np.uint16)
    path = cube_writer(tmp_path, counts=counts)
    with pytest.raises(InputError, match=r"single band without fwhm.*sensor\.fwhm_nm"):
        describe(path, SENSOR)
    assert describe(path, Sensor(fwhm_nm=3.5)).fwhm_nm.tolist() == [3.5]


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ({"samples": None}, "no 'samples'"),
        ({"samples": "0"}, "'samples' is '0'; expected a whole number from 1"),
        ({"lines": "-4"}, "'lines' is '-4'"),
        ({"lines": "4.0"}, r"'lines' is '4\.0'"),
        ({"bands": "1_0"}, "'bands' is '1_0'"),
        ({"bands": "٣"}, "'bands' is"),
        ({"header_offset": "-1"}, "'header offset' is '-1'; expected a whole number from 0"),
        ({"data_type": "6"}, "data type '6' is not supported"),
        ({"data_type": None}, "no 'data type'"),
        ({"byte_order": "2"}, "byte order is '2'"),
        ({"interleave": "tiled"}, "interleave is 'tiled'; expected bil, bip or bsq"),
        ({"major_frame_offsets": "{8, 0}"}, "'major frame offsets' other than 0"),
        ({"wavelength": None}, r"no wavelengths.*Give sensor\.wavelength_nm"),
        ({"wavelength": "{500, 510}"}, "'wavelength' has 2 values for 3 bands"),
        ({"wavelength": "{500, 510, x}"}, "'wavelength' of band 3 is 'x'"),
        ({"wavelength": "{500, 510, nan}"}, "'wavelength' of band 3 is 'nan'"),
        ({"wavelength": "{500, 510, 1e999}"}, "band 3 is '1e999'"),
        ({"wavelength": "{-500, 510, 520}"}, "band 1 is '-500'"),
        ({"wavelength": "{500, 510, 500}"}, "two bands have the wavelength 500 nm"),
        ({"wavelength": "{500, 510, 520"}, "a list in the header is not closed"),
        ({"wavelength": "{5, 510, 520}", "wavelength_units": None}, "numbers do not tell"),
        ({"wavelength_units": "wavenumber"}, "wavelength units are 'wavenumber'"),
        ({"wavelength": "{0.5, 0.51, 0.52}"}, r"a wavelength of 0\.5 nm; expected 100 to 100000"),
        ({"wavelength_units": "um"}, "a wavelength of 500000 nm.*Correct the unit"),
        ({"fwhm": "{5, 5, 600}"}, "a band at 520 nm has a fwhm of 600 nm"),
        ({"fwhm": "{5, 5}"}, "'fwhm' has 2 values for 3 bands"),
        ({"fwhm": "{5, 0, 5}"}, "'fwhm' of band 2 is '0'"),
        ({"exposure_time": "auto"}, "'exposure time' is 'auto'; expected a number"),
        ({"exposure_time": "4,5 ms"}, "'exposure time' is '4,5 ms'"),
        ({"exposure_time": "4 min"}, "'exposure time' is '4 min'"),
        ({"exposure_time": "0"}, "out of range"),
        ({"frame_period": "1e999"}, "out of range"),
        ({"gain": "{1, 2}"}, "'gain' has 2 values; expected one"),
        ({"acquisition_start": "yesterday"}, "'acquisition start' is 'yesterday'.*ISO 8601"),
        ({"acquisition_start": "2026-02-30T00:00:00Z"}, "day is out of range"),
    ],
    ids=lambda value: str(value)[:50] if isinstance(value, dict) else "",
)
def test_refused_headers(
    tmp_path: Path, cube_writer: Writer, header: dict[str, str | None], message: str
) -> None:
    path = cube_writer(tmp_path, **header)
    with pytest.raises(InputError, match=message) as caught:
        describe(path, SENSOR)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"wavelength_nm": (500.0, 510.0)}, r"sensor\.wavelength_nm: 2 values, but .* has 3 bands"),
        ({"fwhm_nm": (5.0,)}, r"sensor\.fwhm_nm: 1 values, but .* has 3 bands"),
        ({"wavelength_nm": (0.5, 0.51, 0.52)}, r"sensor\.wavelength_nm: a wavelength of 0\.5 nm"),
        ({"wavelength_nm": (500.0, -1.0, 3.0)}, r"sensor\.wavelength_nm: expected positive"),
    ],
    ids=["wavelengths", "fwhm", "micrometres", "negative"],
)
def test_config_values_of_wrong_length(
    tmp_path: Path, cube_writer: Writer, given: dict[str, tuple[float, ...]], message: str
) -> None:
    with pytest.raises(ConfigError, match=message):
        describe(cube_writer(tmp_path), Sensor(**given))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "no 'lines'"),
        (b"samples = 3\n", "no 'lines'"),
        (b"\xff\xfe\x00\x01", "zero bytes"),
        (bytes(range(1, 256)) * 4, "no 'lines'"),
        (b"a header\n" + b"a = 1\n" * 30_000, "too large for a header"),
        (b"a header\n" + b"a" * (5 << 20), "too large"),
        (b"a header\nx = {" + b"1," * 2_000_000, "not closed by a brace"),
        (b"a header\nlines = " + b"1" * 4_000_000, "'lines' is '1111"),
    ],
    ids=["empty", "no-mark", "zeros", "binary", "lines", "bytes", "open-brace", "digits"],
)
@pytest.mark.timeout(10)
def test_junk_is_refused_quickly(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "x.hdr"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message):
        describe(path, SENSOR)


def test_long_number_costs_no_backtracking(tmp_path: Path, cube_writer: Writer) -> None:
    path = cube_writer(tmp_path, exposure_time="1" * 1_000_000 + "x")
    with pytest.raises(InputError, match="expected a number"):
        describe(path, SENSOR)


def test_a_mark_and_foreign_letters_do_no_harm(tmp_path: Path, cube_writer: Writer) -> None:
    path = cube_writer(tmp_path, description="{Prüfung}")
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert describe(path, SENSOR).bands == 3
    path.write_bytes(path.read_text("utf-8-sig").encode("latin-1").replace(b"\n", b"\r\n"))
    assert describe(path, SENSOR).bands == 3


def test_missing_byte_order_is_little_endian(tmp_path: Path, cube_writer: Writer) -> None:
    capture = describe(cube_writer(tmp_path, byte_order=None, header_offset=None), SENSOR)
    assert isinstance(capture.stored, FlatBinary)
    assert capture.stored.dtype == np.dtype("<u2")
    assert capture.stored.offset_bytes == 0


@pytest.mark.parametrize(
    ("kind", "message"),
    [("absent", "no such file"), ("folder", "a folder; expected"), ("pipe", "a pipe; expected")],
)
@pytest.mark.timeout(10)
def test_what_is_no_file_is_refused(tmp_path: Path, kind: str, message: str) -> None:
    path = tmp_path / "x.hdr"
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    with pytest.raises(InputError, match=message):
        describe(path, SENSOR)


@pytest.mark.parametrize("suffix", [".raw", ".bil", ".bip", ".bsq", ".dat", ".img", "", ".RAW"])
def test_data_file_suffixes(tmp_path: Path, cube_writer: Writer, suffix: str) -> None:
    path = cube_writer(tmp_path, suffix=suffix)
    assert describe(path, SENSOR).data.samefile(tmp_path / f"strip-00{suffix}")


def test_header_beside_the_full_data_name(tmp_path: Path, cube_writer: Writer) -> None:
    path = cube_writer(tmp_path)
    full = path.rename(tmp_path / "strip-00.raw.hdr")
    capture = describe(full, SENSOR)
    assert (capture.name, capture.data) == ("strip-00", tmp_path / "strip-00.raw")


def test_a_suffix_nobody_listed_is_data_where_it_stands_alone(
    tmp_path: Path, cube_writer: Writer
) -> None:
    path = cube_writer(tmp_path, suffix=".bin")
    (tmp_path / "strip-00.csv").write_text("line,time_utc\n")
    (tmp_path / "strip-00.times.csv").write_text("line,time_utc\n")
    (tmp_path / "strip-001.bin").write_text("another strip's")
    assert describe(path, SENSOR).data.name == "strip-00.bin"
    (tmp_path / "strip-00.thumb").write_bytes(b"preview")
    assert describe(path, SENSOR).data.name == "strip-00.bin", "the claimed size decides"
    full = path.rename(tmp_path / "strip-00.bin.hdr")
    assert describe(full, SENSOR).name == "strip-00"


@pytest.mark.parametrize("first", ["Recorder 7, flight deck log", "", "; remark", None])
def test_the_first_line_may_say_anything(
    tmp_path: Path, cube_writer: Writer, first: str | None
) -> None:
    path = cube_writer(tmp_path)
    rest = path.read_text().partition("\n")[2]
    path.write_text(rest if first is None else f"{first}\n{rest}")
    assert describe(path, SENSOR).samples == 5, "the first key is not lost with the first line"


def test_the_configs_wavelengths_hold_whatever_the_header_says(
    tmp_path: Path, cube_writer: Writer
) -> None:
    path = cube_writer(tmp_path, fwhm="{6, 5, 4}")
    capture = describe(path, Sensor(wavelength_nm=(512.0, 502.0, 522.0)))
    assert capture.wavelength_nm.tolist() == [502, 512, 522]
    assert capture.fwhm_nm.tolist() == [5, 6, 4], "the header's widths go with their bands"
    path = cube_writer(tmp_path, wavelength="{a, b}", wavelength_units="furlongs")
    assert describe(path, Sensor(wavelength_nm=(1e3, 2e3, 3e3), fwhm_nm=9.0)).bands == 3


def test_no_data_file(tmp_path: Path, cube_writer: Writer) -> None:
    path = cube_writer(tmp_path, suffix=".zip")
    with pytest.raises(InputError, match=r"no data file: looked for strip-00 with \.raw \.bil"):
        describe(path, SENSOR)


def test_of_two_data_files_the_one_of_the_claimed_size(tmp_path: Path, cube_writer: Writer) -> None:
    path = cube_writer(tmp_path)
    (tmp_path / "strip-00.img").write_bytes(b"preview")
    assert describe(path, SENSOR).data.name == "strip-00.raw"
    (tmp_path / "strip-00.img").write_bytes((tmp_path / "strip-00.raw").read_bytes())
    with pytest.raises(InputError, match=r"several data files: strip-00\.raw, strip-00\.img"):
        describe(path, SENSOR)


def test_one_file_under_two_names_is_one(tmp_path: Path, cube_writer: Writer) -> None:
    # As on a file system that ignores case.
    path = cube_writer(tmp_path)
    (tmp_path / "strip-00.RAW").hardlink_to(tmp_path / "strip-00.raw")
    assert describe(path, SENSOR).data.name == "strip-00.raw"


@pytest.mark.parametrize(("extra", "message"), [(-1, "too short"), (1, "too long")])
def test_size_against_claim(tmp_path: Path, cube_writer: Writer, extra: int, message: str) -> None:
    path = cube_writer(tmp_path)
    data = tmp_path / "strip-00.raw"
    os.truncate(data, 120 + extra)
    capture = describe(path, SENSOR)
    assert bytes_missing(capture) == -extra
    with pytest.raises(InputError, match=rf"{message}: {120 + extra} bytes on disk, 120 claimed"):
        require_whole(capture)
    data.unlink()
    with pytest.raises(InputError, match="cannot be read"):
        bytes_missing(capture)


def test_a_claim_of_exabytes_is_only_a_number(tmp_path: Path, cube_writer: Writer) -> None:
    path = cube_writer(tmp_path, lines=10**12, samples=10**12)
    capture = describe(path, SENSOR)
    assert bytes_missing(capture) == 10**24 * 3 * 2 - 120
