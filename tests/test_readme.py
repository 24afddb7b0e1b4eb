"""The documents tell what the code does, and what they tell can be done."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import tomllib
from collections.abc import Iterator
from enum import IntFlag
from pathlib import Path

import pytest
import xarray as xr
from pydantic import BaseModel

from pipeline.campaign.config import Sweep
from pipeline.cli import reference
from pipeline.cli.commands import build_parser, main
from pipeline.config.flight import Config, config_from_table, load_config
from pipeline.config.panel import Panel
from pipeline.flags import LineFlag, QualityFlag
from pipeline.radiometry.limits import LIMITS
from pipeline.synthetic.__main__ import parser as synthetic_parser

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
DOCUMENTS = (
    README,
    ROOT / "DEVELOPERS.md",
    ROOT / "CHANGELOG.md",
    ROOT / "configs" / "README.md",
    ROOT / "pipeline" / "radiometry" / "README.md",
    ROOT / "pipeline" / "radiometry" / "checks" / "README.md",
    ROOT / "sample_data" / "README.md",
    ROOT / "tests" / "README.md",
)
EACH = pytest.mark.parametrize("path", DOCUMENTS, ids=lambda p: str(p.relative_to(ROOT)))


def text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def by_hand(path: Path) -> str:
    """A document without the parts that are made from the code."""
    marked = r"<!-- made from the code: (.+?) -->.*?<!-- end: \1 -->"
    return re.sub(marked, "", text_of(path), flags=re.DOTALL)


def blocks(path: Path, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text_of(path), re.DOTALL | re.MULTILINE)


def code_of(path: Path) -> Iterator[str]:
    """Code spans and the lines of shell blocks, without the generated parts."""
    text = by_hand(path)
    for block in re.findall(r"^```sh\n(.*?)^```", text, re.DOTALL | re.MULTILINE):
        yield from block.splitlines()
    yield from re.findall(r"`([^`\n]+)`", re.sub(r"^```.*?^```", "", text, flags=re.DOTALL | re.M))


def test_the_readme_is_short() -> None:
    size = len(README.read_bytes())
    assert size < 9000, f"README.md has {size} bytes: move what is not for a newcomer"


@pytest.mark.parametrize("path", reference.DOCUMENTS, ids=lambda p: str(p.relative_to(ROOT)))
def test_what_is_made_from_the_code_is_up_to_date(path: Path) -> None:
    made = reference.updated(text_of(path), reference.DOCUMENTS[path])
    assert made == text_of(path), f"run: {reference.COMMAND}"


def test_every_part_stands_in_one_document() -> None:
    placed = [name for names in reference.DOCUMENTS.values() for name in names]
    assert sorted(placed) == sorted(reference.PARTS)


@pytest.mark.parametrize("name", LIMITS)
def test_every_check_has_one_anchor(name: str) -> None:
    checks = ROOT / "pipeline" / "radiometry" / "checks" / "README.md"
    assert text_of(checks).count(f'<a id="{name}"></a>') == 1


def models(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    yield model
    for field in model.model_fields.values():
        for inner in reference._models_in(field.annotation):
            yield from models(inner)


@pytest.mark.parametrize("model", dict.fromkeys([*models(Config), Sweep]))
def test_every_key_says_what_it_means(model: type[BaseModel]) -> None:
    for name, field in model.model_fields.items():
        if not field.exclude and not reference._is_table(field):
            assert field.description, f"{model.__name__}.{name} has no description"


def test_every_key_is_listed() -> None:
    listed = reference.flight_keys()
    for key in ("flight.name", 'sensor.header_keys."exposure time"', "panel.where.region"):
        assert listed.count(f"| `{key}` |") == 1
    assert '| `output.format` | `"netcdf"` or `"zarr"` | `"netcdf"` |' in listed
    assert "| `sensor.saturation_counts` | number, above 0 | `4000` |" in listed
    assert "| `panel.where.lines` | pair of whole numbers | required |" in listed
    assert "| `limits.NAME.caution` | number or pair of numbers | absent |" in listed


@EACH
def test_linked_files_and_headings_are_there(path: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", text_of(path)):
        if "://" in target:
            continue
        name, _, anchor = target.partition("#")
        file = (path.parent / name).resolve() if name else path
        assert file.is_relative_to(ROOT), f"{target} leads out of the project"
        assert file.exists(), f"{target} leads nowhere"
        if anchor:
            assert anchor in anchors(file), f"{target}: no such heading"


def anchors(path: Path) -> set[str]:
    text = text_of(path)
    headings = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    slugs = (re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings)
    return {*slugs, *re.findall(r'<a id="([^"]+)">', text)}


@EACH
def test_named_files_are_there(path: Path) -> None:
    """Words in code that look like files of the project are its files."""
    for span in re.findall(r"`([^`\n]+)`", text_of(path)):
        for word in span.split():
            word = word.rstrip(":,").partition("::")[0]
            if re.fullmatch(r"(?!demo/)[\w.][\w-]*/([\w.*-]+/)*([\w*-]+\.(py|md|toml|txt))?", word):
                bases = (ROOT, ROOT / "pipeline", path.parent)
                assert any(list(base.glob(word.rstrip("/"))) for base in bases), f"no {word}"


@EACH
def test_commands_are_understood(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for line in code_of(path):
        for part in line.split("&&"):
            words = shlex.split(part, comments=True)
            if words[:1] and Path(words[0]).name == "reflectory" and len(words) > 1:
                understood(build_parser(), words[1:])
            if words[1:3] == ["-m", "pipeline.synthetic"]:
                understood(synthetic_parser(), words[3:])


def understood(parser: object, words: list[str]) -> None:
    """The parser takes the words; a command alone is only named, and capitals are a place."""
    if words[0].isupper():
        return
    if len(words) == 1 and not words[0].startswith("-"):
        words = [*words, "--help"]
    try:
        parser.parse_args(words)  # type: ignore[attr-defined]
    except SystemExit as end:
        if end.code != 0:
            pytest.fail(f"not understood: {' '.join(words)}")


@EACH
def test_shell_blocks_are_shell(path: Path) -> None:
    for block in blocks(path, "sh"):
        subprocess.run(["bash", "-n"], input=block, text=True, check=True)


@EACH
def test_no_place_of_one_machine_and_no_host(path: Path) -> None:
    """Documents name no absolute path and no server but those allowed here."""
    text = text_of(path)
    assert not re.findall(r"(?<![\w.~>)}\]])/(?:[a-z]+/)+[\w.-]*", text)
    hosts = re.findall(r"(?:://|\b)((?:[\w-]+\.)+(?:org|io|com|net|dev|cloud))\b", text)
    assert not hosts


@pytest.mark.parametrize("kind", [QualityFlag, LineFlag])
def test_every_flag_has_a_row_with_its_bit(kind: type[IntFlag]) -> None:
    rows = dict(re.findall(r"^\| `(\w+)` \| (\d+) \|", text_of(README), re.MULTILINE))
    told = {name: int(bit) for name, bit in rows.items() if name.upper() in kind.__members__}
    assert told == {flag.name.lower(): int(flag) for flag in kind if flag.name}


@pytest.fixture(scope="module")
def own_flight(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample flight with the README's own config in the place of its own."""
    folder = tmp_path_factory.mktemp("own") / "demo"
    shutil.copytree(ROOT / "sample_data", folder, ignore=shutil.ignore_patterns("results"))
    (config,) = blocks(README, "toml")
    (folder / "flight.toml").write_text(config, encoding="utf-8")
    return folder


def test_the_config_shown_calibrates_the_sample_flight(own_flight: Path) -> None:
    assert main(["run", str(own_flight / "flight.toml")]) == 0


def test_the_python_shown_reads_the_result(
    own_flight: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    main(["run", str(own_flight / "flight.toml")])
    (cube,) = own_flight.glob("results/*/*/strip-00.nc")
    monkeypatch.chdir(cube.parent)
    (shown,) = blocks(README, "python")
    names: dict[str, xr.DataArray] = {}
    exec(shown, names)
    assert 0.5 < float(names["sound"].notnull().mean()) < 1
    names["cube"].close()


def test_the_forms_shown_in_configs_are_taken(own_flight: Path) -> None:
    path = own_flight / "flight.toml"
    shown = blocks(ROOT / "configs" / "README.md", "toml")
    places = [block for block in shown if block.startswith("where = ")]
    for line in places[0].splitlines():
        Panel.model_validate({"name": "p", "certificate": "p.csv", **tomllib.loads(line)})
    own = load_config(path)
    for block in (block for block in shown if block.startswith("[")):
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        for section, keys in tomllib.loads(block).items():
            table[section] = {**table.get(section, {}), **keys}
        assert config_from_table(table, path=path, text="").work != own.work


@pytest.mark.parametrize("pattern", ["published/test_*.py", "benchmarks/bench_*.py"])
def test_every_outside_source_and_benchmark_is_told_of(pattern: str) -> None:
    tests = ROOT / "tests"
    for path in tests.glob(pattern):
        link = f"({path.relative_to(tests).as_posix()})"
        assert link in text_of(tests / "README.md"), f"tests/README.md has no row for {link}"


def test_every_room_and_what_lies_below_is_told_of() -> None:
    text = text_of(ROOT / "DEVELOPERS.md")
    for path in (ROOT / "pipeline").iterdir():
        if path.is_dir() and (path / "__init__.py").exists():
            assert f"\n| `pipeline/{path.name}/` |" in text, f"no row for the room {path.name}"
        elif path.suffix == ".py" and not path.name.startswith("_"):
            assert f"`pipeline/{path.name}`" in text, f"not a word on {path.name}"


def test_ci_runs_the_command_that_the_readme_gives() -> None:
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    (shown,) = (block for block in blocks(README, "sh") if "pytest" in block)
    for command in shown.strip().split(" && "):
        program, _, arguments = command.removeprefix(".venv/bin/").partition(" ")
        assert re.search(rf'^"\$venv/bin/{program}" {re.escape(arguments)}$', ci, re.MULTILINE), (
            f".ci/run has no line for: {command}"
        )


def test_no_other_folder_stands_at_the_top() -> None:
    allowed = {"pipeline", "tests", "configs", "sample_data"}
    tracked = {p.name for p in ROOT.iterdir() if p.is_dir() and not p.name.startswith(".")}
    made_here = {"results", "demo", "big", "venv", "build", "dist", "reflectory.egg-info"}
    assert tracked - made_here <= allowed | {"__pycache__"}
