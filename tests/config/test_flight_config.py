"""The config: defaults, each complaint with the key's full name, and paths."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.config.flight import Config, load_config, require_output_folder
from pipeline.config.panel import Window
from pipeline.errors import ConfigError

SMALLEST = """
[flight]
name = "saltmarsh-june"
folder = "raw"
cubes = ["strip-*.hdr"]
darks = "cap-*.hdr"

[[panel]]
name = "grey-48"
certificate = "grey-48.csv"
where = { cube = "strip-00", lines = [64, 106], samples = [85, 110] }
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "raw").mkdir()
    (tmp_path / "grey-48.csv").write_text("wavelength_nm,reflectance,expanded_uncertainty\n")
    return tmp_path


def load(folder: Path, text: str = SMALLEST, **options: Path) -> Config:
    path = folder / "flight.toml"
    path.write_text(text)
    return load_config(path, **options)


def test_the_smallest_config_has_the_documented_defaults(folder: Path) -> None:
    config = load(folder)
    assert config.flight.darks == ("cap-*.hdr",)
    assert config.sensor.full_scale_counts == 4095
    assert config.sensor.saturation_counts == 4000
    assert config.sensor.electrons_per_count is None
    assert config.sensor.header_keys.exposure_time.key == "exposure time"
    assert config.panel[0].use == "fit"
    assert config.panel[0].coverage_factor == 2
    assert config.panel[0].where == (Window(cube="strip-00", lines=(64, 106), samples=(85, 110)),)
    assert config.calibration.illumination == "constant"
    assert config.quality.low_signal_snr == 3
    assert config.quality.blank == ("saturated", "bad_element", "no_calibration")
    assert not config.quality.interpolate_bad_elements
    assert config.output.format == "netcdf"
    assert config.output.uncertainty is True
    assert config.output.folder == folder / "results"


def test_what_is_blank_in_the_end(folder: Path) -> None:
    def blanked(text: str = "") -> tuple[str, ...]:
        return load(folder, f"{SMALLEST}\n[quality]\n{text}\n").quality.blanked

    assert blanked() == ("saturated", "bad_element", "no_calibration", "no_data")
    assert blanked('blank = ["no_calibration"]') == ("no_calibration", "no_data")
    interpolated = ("saturated", "no_calibration", "no_data")
    assert blanked("interpolate_bad_elements = true") == interpolated
    more = 'blank = ["no_calibration", "beyond_packing", "low_signal"]'
    assert blanked(more) == ("low_signal", "no_calibration", "no_data", "beyond_packing")


def test_paths_are_absolute_and_found_beside_the_config_or_in_the_folder(folder: Path) -> None:
    (folder / "raw" / "grey-48.csv").write_text("x")
    assert load(folder).panel[0].certificate == folder / "grey-48.csv"
    (folder / "grey-48.csv").unlink()
    assert load(folder).panel[0].certificate == folder / "raw" / "grey-48.csv"
    assert load(folder).flight.folder == folder / "raw"


def test_output_on_the_command_line_is_relative_to_the_working_directory(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "here").mkdir()
    monkeypatch.chdir(folder / "here")
    assert load(folder, output=Path("out")).output.folder == folder / "here" / "out"


def replaced(old: str, new: str) -> str:
    assert old in SMALLEST
    return SMALLEST.replace(old, new)


@pytest.mark.parametrize(
    ("text", "key", "what"),
    [
        (SMALLEST + "\n[extra]\n", "extra", "unknown key"),
        (replaced("[flight]", "[flight]\ncolour = 1"), "flight.colour", "unknown key"),
        (SMALLEST + '\n[sensor.header_keys]\nshutter = "x"\n', "sensor.header_keys.shutter",
         "unknown key"),
        (replaced('name = "saltmarsh-june"\n', ""), "flight.name", "missing"),
        (replaced('"saltmarsh-june"', '"../up"'), "flight.name", "../up"),
        (replaced('"saltmarsh-june"', '".hidden"'), "flight.name", ".hidden"),
        (replaced('"saltmarsh-june"', "7"), "flight.name", "7"),
        (replaced('["strip-*.hdr"]', "[]"), "flight.cubes", "at least one entry"),
        (replaced('folder = "raw"', 'folder = "rw"'), "flight.folder", "no such folder"),
        (replaced('"grey-48.csv"', '"grey.csv"'), "panel[0].certificate", "no such file"),
        (replaced('"grey-48.csv"', '"raw"'), "panel[0].certificate", "no such file"),
        (replaced("lines = [64, 106]", "lines = [106, 64]"), "panel[0].where", "start < stop"),
        (replaced("lines = [64, 106]", "lines = [64.5, 106]"), "panel[0].where", "whole numbers"),
        (replaced("lines = [64, 106]", "lines = [-1, 106]"), "panel[0].where", "0 <= start"),
        (replaced("lines = [64, 106], ", ""), "panel[0].where", "missing"),
        (replaced("{ cube", '"find" #'), "panel[0].where", "find"),
        (replaced("[[panel]]", '[[panel]]\nuse = "check"'), "panel", 'use = "fit"'),
        (replaced("[[panel]]", "[[panel]]\ncoverage_factor = 0"), "panel[0].coverage_factor", "0"),
        (replaced("[[panel]]", "[panel]"), "panel",
         "expected a list of tables, [[panel]]; got a table of name, certificate, where"),
        (replaced("[flight]", "[[flight]]"), "flight", "expected one table, [flight]; got a list"),
        (replaced("[flight]", "[flight]\ntrak = 1"), "flight.trak",
         "unknown key. Did you mean track?"),
        (replaced("lines = [64, 106]", "line = [64, 106]"), "panel[0].where.line",
         "Did you mean lines?"),
        (SMALLEST + '\n[sensor.header_keys]\nframe_perod = "y"\n',
         "sensor.header_keys.frame_perod", "Did you mean frame period?"),
        (SMALLEST + "\n[limits]\ndark-drfit = { fail = 1 }\n", "", "Did you mean dark-drift?"),
        *((replaced("[[panel]]", f"[[panel]]\nmeasured = {value}"), "panel[0].measured",
           f"expected a date such as 2026-03-02; got {value}")
          for value in ('"2026-3-2"', "20260302", "true", "[2026]")),
        (replaced("[[panel]]", "[[panel]]\nmeasured = 2026-03-02T10:00:00"), "panel[0].measured",
         "without a time of day; got 2026-03-02T10:00:00"),
        (replaced("[[panel]]", '[[panel]]\ncoverage_factor = "two"'), "panel[0].coverage_factor",
         'expected a number; got "two"'),
        (SMALLEST + '\n[sensor]\nfull_scale_counts = "4095"\n', "sensor.full_scale_counts",
         'expected a number; got "4095"'),
        (SMALLEST + '\n[output]\nuncertainty = "yes"\n', "output.uncertainty",
         'expected true or false; got "yes"'),
        (SMALLEST + '\n[sensor]\nwavelength_nm = [400, "500"]\n', "sensor.wavelength_nm[1]",
         'expected a number; got "500"'),
        (replaced("[[panel]]", "[[panel]]\ncoverage_factor = true"), "panel[0].coverage_factor",
         "expected a number; got true"),
        (replaced("[flight]", "[flight]\ntrack = 3"), "flight.track",
         "expected a path in quotes; got 3"),
        (SMALLEST + '\n[sensor]\nfwhm_nm = ["x"]\n', "sensor.fwhm_nm",
         'expected a number, or a list of numbers; got ["x"]'),
        (SMALLEST + "\n[limits]\ndark-drift = { caution = [1] }\n", "limits.dark-drift.caution",
         "expected a finite number, or two as [low, high]; got [1]"),
        (SMALLEST[: SMALLEST.index("[[panel]]")], "panel", "missing"),
        (SMALLEST + "\n[sensor]\nsaturation_counts = 5000\n", "sensor", "above full_scale_counts"),
        (SMALLEST + "\n[sensor]\nfull_scale_counts = inf\n", "sensor.full_scale_counts", "finite"),
        (SMALLEST + "\n[sensor]\nelectrons_per_count = -1\n", "sensor.electrons_per_count", "-1"),
        (SMALLEST + '\n[calibration]\nillumination = "lamp"\n', "calibration.illumination", "lamp"),
        (SMALLEST + '\n[calibration]\nillumination = "irradiance log"\n', "", "flight.irradiance"),
        (SMALLEST + '\n[calibration]\nillumination = "clear sky"\n', "", "flight.track"),
        (SMALLEST + '\n[quality]\nblank = ["glint"]\n', "quality",
         'unknown flag "glint". Known here: bad_element'),
        (SMALLEST + '\n[quality]\nblank = ["saturated"]\n', "quality", "no_calibration"),
        (SMALLEST + '\n[output]\nformat = "tiff"\n', "output.format", "tiff"),
        (SMALLEST + '\n[output.attributes]\n"a b" = "x"\n', "output.attributes.a b", "a b"),
        (SMALLEST + "\n[limits]\ndark-glow = { fail = 1 }\n", "limits.dark-glow", "no check"),
        (SMALLEST + "\n[limits]\ndark-drift = { fial = 1 }\n", "limits.dark-drift.fial",
         "unknown key. Did you mean fail?"),
        ('text = "x"\n' + SMALLEST, "text", "unknown key"),
        ('"[key]" = 1\n' + SMALLEST, "[key]", "unknown key"),
        ('"tuple[" = 1\n' + SMALLEST, "tuple[", "unknown key"),
    ],
)  # fmt: skip
def test_a_complaint_names_the_file_and_the_keys_full_name(
    folder: Path, text: str, key: str, what: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        load(folder, text)
    message = str(caught.value)
    assert len(message.splitlines()) == 1
    place = f"{folder / 'flight.toml'}: {key}" if key else str(folder / "flight.toml")
    assert message.startswith(place), message
    assert what in message


def test_a_panel_given_twice_must_be_the_same_panel(folder: Path) -> None:
    again = SMALLEST + SMALLEST[SMALLEST.index("[[panel]]") :]
    assert len(load(folder, again).panel) == 2
    with pytest.raises(ConfigError, match="given twice"):
        load(folder, again + 'use = "check"\n')


def test_the_work_is_what_decides_the_result(folder: Path) -> None:
    plain = load(folder)
    same = load(folder, "# a comment\n" + SMALLEST + '\n[output]\nfolder = "elsewhere"\n')
    spelled = load(folder, SMALLEST + "\n[quality]\nlow_signal_snr = 3.0\n")
    other = load(folder, SMALLEST + "\n[quality]\nlow_signal_snr = 4.0\n")
    assert plain.work == same.work == spelled.work != other.work
    assert plain.sha256 != same.sha256
    assert str(folder) not in plain.work
    assert json.loads(plain.work)["sensor"]["saturation_counts"] == 4000


@pytest.mark.parametrize(
    "where",
    [
        '"search"',
        '{ region = "panel-48" }',
        '[{ region = "a" }, { cube = "c", lines = [0, 9], samples = [0, 9] }]',
    ],
)
def test_every_form_of_where(folder: Path, where: str) -> None:
    start = SMALLEST.index("where")
    load(folder, SMALLEST[:start] + f"where = {where}\n")


def test_a_config_is_frozen(folder: Path) -> None:
    config = load(folder)
    with pytest.raises(ValueError, match="frozen"):
        config.flight.name = "other"  # type: ignore[misc]


def test_an_output_folder_may_be_there_or_be_made(folder: Path) -> None:
    require_output_folder(load(folder))
    (folder / "results" / "saltmarsh-june").mkdir(parents=True)
    require_output_folder(load(folder))
    require_output_folder(load(folder, output=folder / ("x" * 300)))


@pytest.mark.parametrize("name", ["results", "results/saltmarsh-june"])
def test_a_file_in_the_place_of_the_output_folder_is_named(folder: Path, name: str) -> None:
    config = load(folder)
    (folder / name).parent.mkdir(exist_ok=True)
    (folder / name).write_text("")
    with pytest.raises(
        ConfigError, match=rf"output\.folder: expected a folder, .*{name}"
    ) as caught:
        require_output_folder(config)
    assert caught.value.exit_code == 2
    with pytest.raises(ConfigError, match=r"^--output: "):
        require_output_folder(config, "--output")
