"""run.json is the record's serialisation: it comes back as it was, or is refused in a sentence."""

from __future__ import annotations

import copy
import hashlib
import json
import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import FrozenInstanceError, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.cli.commands import main
from pipeline.errors import InputError
from pipeline.flight.field_check import look
from pipeline.flight.run import run
from pipeline.write.run_record import MOST_NESTED, RefusedCube, from_json, read_run

HERE = Path("run.json")
#: The keys of run.json, in their order; W3C PROV-JSON's members after the record's own.
KEYS = [
    "run_id", "flight", "software", "started", "ended", "follows", "outcome", "verdict", "says",
    "cubes", "panels", "checks", "quantities", "timings", "config", "config_sha256",
    "prefix", "entity", "activity", "agent", "used", "wasGeneratedBy", "wasDerivedFrom",
    "wasAssociatedWith",
]  # fmt: skip


@pytest.fixture(scope="module")
def document(rich_run: Any) -> dict[str, Any]:
    return dict(json.loads((rich_run.folder / "run.json").read_text()))


def test_the_record_comes_back_as_it_was_written(rich_run: Any, document: Any) -> None:
    text = (rich_run.folder / "run.json").read_text()
    record = read_run(rich_run.folder)
    assert record == replace(
        rich_run.record, checks=tuple(replace(c, costs_part=False) for c in rich_run.record.checks)
    )
    assert record.to_text() == text
    assert record.to_json() == document
    assert list(document) == KEYS


def test_inputs_outputs_and_steps_are_those_of_the_provenance(rich_run: Any, document: Any) -> None:
    record = read_run(rich_run.folder)
    entities = document["entity"]
    assert len(record.inputs) == sum(":input/" in name for name in entities)
    for item in record.inputs:
        told = entities[f"reflectory:input/{item.name}"]
        assert (told["reflectory:bytes"], told["reflectory:sha256"]) == (item.bytes, item.sha256)
        assert told["prov:type"] == f"reflectory:{item.role}"
    for made in record.outputs:
        assert made.bytes == (rich_run.folder / made.name).stat().st_size
    assert {o.name for o in record.outputs} == {"config.toml", "strip-00.nc", "strip-01.nc"}
    (activity,) = document["activity"].values()
    assert [step["step"] for step in activity["reflectory:steps"]] == [s.step for s in record.steps]
    assert record.steps[0].parameters == {"frames": [100, 100]}


def test_a_run_that_follows_another_and_left_a_cube_out_comes_back(rich_run: Any) -> None:
    refused = RefusedCube(cube="strip-07", why="cut off")
    record = replace(
        read_run(rich_run.folder), follows="0123456789ab", outcome="partial", cubes=(refused,)
    )
    assert from_json(record.to_text(), HERE) == record
    assert record.refused == (refused,)
    assert record.written == ()


def test_a_record_of_before_there_were_quantities_is_read(rich_run: Any, document: Any) -> None:
    older = {name: part for name, part in document.items() if name != "quantities"}
    record = from_json(json.dumps(older), HERE)
    assert record == replace(read_run(rich_run.folder), quantities=None)
    assert "quantities" not in record.to_json()


@pytest.mark.parametrize("damage", ["1-2-3", "x", "-4", "1,2"])
def test_bad_elements_that_are_no_numbers_are_refused(document: Any, damage: str) -> None:
    odd = copy.deepcopy(document)
    odd["quantities"]["which_bad"] = damage
    with pytest.raises(InputError, match=r"quantities\.which_bad"):
        from_json(json.dumps(odd), HERE)


def test_a_check_is_the_same_record_without_a_run(rich_flight: Any, document: Any) -> None:
    record = look(rich_flight.config)
    told = record.to_json()
    own = KEYS[: KEYS.index("prefix")]
    assert list(told) == [*own[:9], "looked_at", *own[9:]]
    assert [row["cube"] for row in told["cubes"]] == [row["cube"] for row in document["cubes"]]
    assert told["panels"] == document["panels"]
    assert from_json(json.dumps(told), HERE).to_json() == told


def test_a_record_cannot_be_changed(rich_run: Any) -> None:
    with pytest.raises(FrozenInstanceError):
        rich_run.record.verdict = "good"


def put(key: str, value: object) -> Callable[[Any], None]:
    """A change of a document: the value at a dotted key, whole numbers for places in lists."""

    def change(document: Any) -> None:
        *way, last = (int(k) if k.isdigit() else k for k in key.split("."))
        for step in way:
            document = document[step]
        document[last] = value

    return change


def nested(depth: int) -> object:
    value: object = 1
    for _ in range(depth):
        value = [value]
    return value


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("run_id", None, "run_id"),
        ("run_id", "../../etc", "run_id"),
        ("run_id", 7, "run_id"),
        ("follows", "..", "follows"),
        ("started", "yesterday", "started"),
        ("started", "2026-13-45T99:99:99Z", "started"),
        ("ended", 1e300, "ended"),
        ("ended", "2026-06-18T11:20:04+99:00", "ended"),
        ("outcome", "splendid", "outcome"),
        ("verdict", ["good"], "verdict"),
        ("says", {"a": 1}, "says"),
        ("cubes", {}, "cubes"),
        ("cubes", [3], "cubes[0]"),
        ("cubes.0.outcome", "lost", "cubes[0]"),
        ("cubes.0.lines", "400", "cubes[0].lines"),
        ("cubes.0.lines", True, "cubes[0].lines"),
        ("cubes.0.lines", -1, "cubes[0].lines"),
        ("cubes.0.file", "../strip.nc", "cubes[0].file"),
        ("cubes.0.file", "/etc/passwd", "cubes[0].file"),
        ("cubes.0.file", "a/b.nc", "cubes[0].file"),
        ("cubes.0.file", "a\0.nc", "cubes[0].file"),
        ("cubes.0.file", "..", "cubes[0].file"),
        ("cubes.0.file", "", "cubes[0].file"),
        ("panels.0.signal", [1.0], "panels[0]"),
        ("panels.0.signal.0", "1.0", "panels[0].signal[0]"),
        ("panels.0.passes.0.lines", [1, 2, 3], "panels[0].passes[0].lines"),
        ("checks.0.verdict", "perhaps", "checks[0].verdict"),
        ("checks.0.caution", [1.0, 2.0, 3.0], "checks[0].caution"),
        ("timings", {"cubes": "long"}, "timings.cubes"),
        ("timings", {"cubes": -1}, "timings.cubes"),
        ("config", [], "config"),
        ("config_sha256", "f" * 63, "config_sha256"),
        ("entity", [], "entity"),
        ("activity", None, "activity"),
        ("config.panel", nested(MOST_NESTED), "nested too deeply"),
        ("config.panel", 10**400, "19 digits"),
        ("checks.0.value", 2**64, "19 digits"),
        ("checks.0.value", float("inf"), "Infinity"),
        ("checks.0.value", float("nan"), "NaN"),
        ("flight", "\ud800", "JSON"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_by_its_name(
    document: Any, key: str, value: object, says: str, tmp_path: Path
) -> None:
    changed = copy.deepcopy(document)
    put(key, value)(changed)
    (tmp_path / "run.json").write_text(json.dumps(changed))
    with pytest.raises(InputError) as error:
        read_run(tmp_path)
    assert says in str(error.value)
    assert str(error.value).startswith(f"{tmp_path / 'run.json'}: not as a run leaves it: ")
    assert "--again" in str(error.value)


@pytest.mark.parametrize("name", ["/etc/passwd", "../secret", "a/../../b", "", "a\0b"])
def test_an_output_lies_in_the_runs_folder(document: Any, name: str) -> None:
    changed = copy.deepcopy(document)
    key = f"reflectory:output/{document['run_id']}/{name}"
    changed["entity"][key] = {"reflectory:sha256": "0" * 64, "reflectory:bytes": 1}
    with pytest.raises(InputError, match="outputs"):
        from_json(json.dumps(changed), HERE)


@pytest.mark.parametrize("entity", [None, [], {}, {"reflectory:bytes": "7"}])
def test_an_input_has_size_and_digest(document: Any, entity: object) -> None:
    changed = copy.deepcopy(document)
    changed["entity"]["reflectory:input/a.csv"] = entity
    with pytest.raises(InputError, match=r"inputs|entity"):
        from_json(json.dumps(changed), HERE)


def test_keys_of_a_later_version_are_passed_over(document: Any) -> None:
    changed = copy.deepcopy(document) | {"later": {"a": [1]}}
    changed["cubes"][0]["later"] = 3
    assert from_json(json.dumps(changed), HERE).to_json() == document


TEXTS = [
    b"", b"{}", b"[]", b"null", b"3", b'"run.json"', b"{", b"\xff\xfe", b"\0" * 100, b"nan",
    b"[" * 100_000, b'{"a":' * 100_000, b'{"run_id": 1e999}', b"9" * 100_000, b"{" * 3 + b"}" * 3,
]  # fmt: skip


@pytest.mark.parametrize("text", TEXTS, ids=lambda t: repr(t[:12]))
@pytest.mark.parametrize("command", ["verify", "compare", "export"])
def test_a_ruined_record_is_one_sentence_to_every_command(
    plain_run: Any, tmp_path: Path, text: bytes, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / plain_run.folder.name
    folder.mkdir()
    (folder / "run.json").write_bytes(text)
    asked = {
        "verify": ["verify", str(folder), "--quick"],
        "compare": ["compare", str(plain_run.folder), str(folder)],
        "export": ["export", str(folder), "quicklook"],
    }
    code = main(asked[command])
    told = capsys.readouterr()
    if command == "verify":
        (line,) = (row for row in told.out.splitlines() if "run.json: not as" in row)
        assert code == 1
    else:
        (line,) = told.err.splitlines()
        assert code == 2
    assert "run.json: not as a run leaves it: " in line


@pytest.mark.parametrize("text", [b"", b"{}", b'{"run_id": 1e999}'])
def test_a_run_with_a_ruined_record_is_made_anew(
    plain_copy: Any, text: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = run(plain_copy.config, workers=2).folder
    whole = (folder / "run.json").read_bytes()
    # The list of checksums was made to fit: the record alone can tell.
    (folder / "run.json").write_bytes(text)
    listed = (folder / "checksums.sha256").read_text()
    old, new = (hashlib.sha256(t).hexdigest() for t in (whole, text))
    (folder / "checksums.sha256").write_text(listed.replace(old, new))
    assert main(["run", str(plain_copy.config)]) == 0
    told = capsys.readouterr()
    assert "made anew" in told.err
    assert "run.json is not as a run leaves it" in told.err
    assert read_run(folder).verdict == "good"


@pytest.mark.parametrize("how", ["absent", "folder", "pipe", "unreadable", "device"])
def test_a_record_that_is_no_file_is_not_waited_for(tmp_path: Path, how: str) -> None:
    path = tmp_path / "run.json"
    match how:
        case "folder":
            path.mkdir()
        case "pipe":
            os.mkfifo(path)
        case "unreadable":
            path.symlink_to(path)
        case "device":
            path.symlink_to("/dev/zero")
    with pytest.raises(InputError, match="not a finished run"):
        read_run(tmp_path)


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda part: st.lists(part, max_size=3) | st.dictionaries(st.text(max_size=6), part),
    max_leaves=6,
)


@given(value=anything, data=st.data())
def test_any_value_anywhere_is_read_or_refused(value: object, data: st.DataObject) -> None:
    document: Any = copy.deepcopy(SMALL)
    place = document
    while True:
        key = data.draw(st.sampled_from(range(len(place)) if isinstance(place, list) else [*place]))
        if not (isinstance(place[key], dict | list) and place[key]) or data.draw(st.booleans()):
            break
        place = place[key]
    place[key] = value
    with suppress(InputError):
        record = from_json(json.dumps(document), HERE)
        assert from_json(record.to_text(), HERE) == record


SMALL: dict[str, Any] = {
    "run_id": "0123456789ab", "flight": "june", "software": "reflectory 0.1.0",
    "started": "2026-06-18T11:20:04Z", "ended": "2026-06-18T11:20:05Z", "follows": None,
    "outcome": "partial", "verdict": "caution", "says": "So.",
    "cubes": [
        {"cube": "a", "outcome": "written", "file": "a.nc", "lines": 1, "bands": 2, "samples": 3,
         "seconds": 0.1, "saturated_share": 0, "low_signal_share": None,
         "outside_panel_range_share": 0.5, "negative_share": 0},
        {"cube": "b", "outcome": "refused", "why": "cut off"},
    ],
    "panels": [
        {"panel": "grey", "use": "fit",
         "passes": [{"cube": "a", "lines": [1, 2], "samples": [3, 4], "how": "window",
                     "pixels": 1, "peak_counts": None, "uniformity": 0.1}],
         "signal": [1, None], "signal_uncertainty": [0.1, 0.1], "certified": [0.5, 0.5],
         "certified_uncertainty": [0.01, 0.01], "predicted": [0.5, None],
         "predicted_uncertainty": [0.01, None]},
    ],
    "checks": [
        {"check": "dark-drift", "subject": "", "value": 1.0, "unit": "count", "caution": [1, 2],
         "fail": None, "verdict": "pass", "says": "It held.", "do": ""},
    ],
    "timings": {"cubes": 1.0}, "config": {"flight": {"name": "june"}, "panel": [{"name": "grey"}]},
    "config_sha256": "0" * 64,
    "entity": {
        "reflectory:input/a.raw": {"prov:type": "reflectory:cube", "reflectory:bytes": 6,
                                   "reflectory:sha256": "1" * 64},
        "reflectory:output/0123456789ab/a.nc": {"reflectory:sha256": "2" * 64,
                                                "reflectory:bytes": 6},
    },
    "activity": {"reflectory:run/0123456789ab": {
        "reflectory:steps": [{"step": "dark", "says": "subtracted", "frames": [1]}]}},
}  # fmt: skip
