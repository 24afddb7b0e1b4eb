"""From a folder to a config: on cards of strangers, and where something cannot be known."""

from __future__ import annotations

import importlib.util
import shutil
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

from pipeline.cli.commands import main
from pipeline.config.flight import load_config
from pipeline.draft.draft import draft
from pipeline.errors import ConfigError, InputError
from pipeline.synthetic import FlightPlan, make_flight

PLAN = FlightPlan(cubes=2, lines=300, samples=128, bands=40, dark_frames=40, manifest=False)


def many() -> ModuleType:
    """The program beside this test, whose long form tries many folders."""
    path = Path(__file__).with_name("draft_many.py")
    spec = importlib.util.spec_from_file_location("draft_many", path)
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("flown") / "card"
    make_flight(folder, PLAN)
    (folder / "flight.toml").unlink()
    return folder


@pytest.fixture
def card(flown: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(flown, tmp_path / "card"))


@pytest.mark.parametrize("seed", [5, 8, 13])
def test_a_strangers_card_gives_what_full_knowledge_gives(tmp_path: Path, seed: int) -> None:
    """5: local time in the headers; 8: radians, percents and milliseconds; 13: GPS seconds."""
    what, why = many().tried(tmp_path, seed)
    assert what == "same", why


def test_each_line_says_why(card: Path) -> None:
    made = draft(card)
    assert made.exit_code == 0
    assert made.text == (card / "flight.toml").read_text()
    config = load_config(card / "flight.toml")
    assert config.flight.cubes == ("strip-00.hdr", "strip-01.hdr")
    assert config.flight.darks == ("cap-before.hdr", "cap-after.hdr")
    lines = made.text.splitlines()
    for key in ("cubes", "darks", "track", "irradiance", "full_scale_counts", "where"):
        at = next(i for i, line in enumerate(lines) if line.startswith(f"{key} ="))
        assert "#" in lines[at] or lines[at - 1].startswith("#"), key


def test_what_no_file_tells_is_worth_adding(card: Path) -> None:
    assert "# worth adding: sensor.ifov_mrad" in draft(card).text
    (card / "flight.toml").unlink()
    (card / "track.csv").unlink()
    assert "worth adding" not in draft(card).text


def test_a_config_that_is_there_is_never_replaced(
    card: Path, capsys: pytest.CaptureFixture
) -> None:
    (card / "flight.toml").write_text("mine")
    assert main(["draft", str(card)]) == 2
    assert (card / "flight.toml").read_text() == "mine"
    assert "never replaces" in capsys.readouterr().err
    with pytest.raises(ConfigError):
        draft(card)


def test_nothing_to_draft_from(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        draft(tmp_path / "nowhere")
    (tmp_path / "notes.txt").write_text("nothing\n")
    with pytest.raises(InputError, match="no capture"):
        draft(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]


def test_panels_that_are_not_there_are_to_be_decided(card: Path) -> None:
    """A certificate of a panel that nobody laid out: asked, not guessed."""
    source = (card / "certificates" / "grey-50.csv").read_text()
    head, *rows = source.splitlines()
    darker = [
        ",".join((c[0], f"{0.7 * float(c[1]):.5f}", c[2])) for c in (r.split(",") for r in rows)
    ]
    (card / "certificates" / "grey-35.csv").write_text("\n".join([head, *darker]) + "\n")
    made = draft(card)
    assert made.exit_code == 1
    assert any(what.startswith("panel: search for") for what in made.undecided)
    assert "# TO DECIDE: panel" in made.text
    assert tomllib.loads(made.text)["panel"][0]["where"] == "search"


def test_without_darks_there_is_something_to_decide(card: Path) -> None:
    for file in (card / "raw").glob("cap-*"):
        file.unlink()
    made = draft(card)
    assert made.exit_code == 1
    assert any("flight.darks" in what for what in made.undecided)


def test_captures_of_other_settings_are_left_out_and_named(card: Path) -> None:
    header = card / "raw" / "cap-after.hdr"
    text = header.read_text()
    header.write_text(text.replace("exposure time = ", "exposure time = 1"))
    made = draft(card)
    assert load_config(made.path).flight.darks == ("cap-before.hdr",)
    assert any("cap-after.hdr" in line and "settings" in line for line in made.told)
    assert "# left out: raw/cap-after.hdr" in made.text


def test_finished_runs_are_no_captures(card: Path) -> None:
    done = card / "results" / "a" / "b"
    done.mkdir(parents=True)
    for name in ("run.json", "checksums.sha256"):
        (done / name).write_text("{}")
    for suffix in (".hdr", ".raw"):
        shutil.copy(card / "raw" / f"strip-00{suffix}", done / f"other{suffix}")
    assert len(draft(card).captures.strips) == 2


@pytest.mark.parametrize("damage", ["short", "zeros"])
def test_a_capture_that_is_not_whole_is_no_silent_gap(card: Path, damage: str) -> None:
    data = card / "raw" / "strip-01.raw"
    whole = data.read_bytes()
    data.write_bytes(whole[:-100] if damage == "short" else bytes(len(whole)))
    made = draft(card)
    assert made.exit_code == 1
    assert any(what.startswith("strip-01.hdr cannot be used") for what in made.undecided)
    assert len(made.captures.darks) == 2


def test_headers_that_cannot_be_used_are_named(card: Path) -> None:
    for header in (card / "raw").glob("*.hdr"):
        lines = header.read_text().splitlines()
        kept = [line for line in lines if not line.startswith(("wavelength", "fwhm"))]
        header.write_text("\n".join(kept) + "\n")
    with pytest.raises(InputError, match=r"hdr: the header gives no wavelengths"):
        draft(card)
