"""Configs of any content: an error of ours that names a key, or a config that holds it."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.campaign.config import load_campaign
from pipeline.config.flight import config_from_table, load_config
from pipeline.config.model import safe_name
from pipeline.errors import ConfigError

QUICK = settings(deadline=2000, max_examples=150)
#: Words of the library that checks the types.
FOREIGN = r"(Input|Value|String|Tuple|Datetimes?)\b.* should|<class"
CERTIFICATE = "wavelength_nm,reflectance,expanded_uncertainty\n400,0.5,0.01\n900,0.5,0.01\n"
TABLE: dict[str, Any] = {
    "flight": {"name": "june", "cubes": "a*.hdr", "darks": "b*.hdr"},
    "panel": [{"name": "grey", "certificate": "grey.csv", "where": "search"}],
}

text = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
keys = st.sampled_from(
    ["flight", "panel", "sensor", "calibration", "quality", "output", "limits", "name", "folder",
     "cubes", "darks", "where", "region", "cube", "lines", "samples", "certificate", "use",
     "measured", "blank", "format", "attributes", "header_keys", "exposure time", "caution", "fail",
     "dark-drift", "saturation_counts", "fwhm_nm", "wavelength_nm", "sweep", "inbox", "path",
     "text", "work", "tables", "track", "columns", "time", "zone", "offset_s", "decimal", "scale",
     "settings", "frames", "rows", "linearity", "unit", "key"]
) | text  # fmt: skip
scalars = st.one_of(
    st.booleans(),
    st.integers(-(2**63), 2**63 - 1),
    st.floats(),
    text,
    st.sampled_from(["search", "../..", "/", "", "a\nb", "<script>", '"', ".", "grey.csv", "fit"]),
    st.datetimes(),
    st.dates(),
    st.times(),
)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=4),
    max_leaves=12,
)


def loaded(table: dict[str, Any], folder: str) -> str:
    """The message of the refusal; empty where the table is a config."""
    (Path(folder) / "grey.csv").write_text(CERTIFICATE)
    path = Path(folder) / "flight.toml"
    try:
        config = config_from_table(table, path=path, text="")
    except ConfigError as error:
        message = str(error)
    else:
        message = ""
    if message:
        assert str(path) in message
        assert not re.search(FOREIGN, message.partition("; got")[0]), message
        assert message.isprintable()
        return message
    assert config.flight.name == table["flight"]["name"]
    assert config.flight.folder.is_dir()
    return ""


@QUICK
@given(st.dictionaries(keys, values, max_size=6))
def test_any_table(table: dict[str, Any]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        assert loaded(table, folder)


@QUICK
@given(where=st.sampled_from(["flight", "panel", "sensor", "quality", "output", "limits", ""]),
       key=keys, value=values)  # fmt: skip
def test_a_right_table_with_any_value_in_one_place(where: str, key: str, value: Any) -> None:
    table = {**TABLE, "flight": dict(TABLE["flight"]), "panel": [dict(TABLE["panel"][0])]}
    if where == "panel":
        table["panel"][0][key] = value
    elif where:
        table[where] = {**table.get(where, {}), key: value}
    else:
        table[key] = value
    with tempfile.TemporaryDirectory() as folder:
        loaded(table, folder)


def test_the_right_table_is_accepted(tmp_path: Path) -> None:
    assert loaded(TABLE, str(tmp_path)) == ""


@QUICK
@given(st.one_of(st.binary(max_size=200), text.map(str.encode)), st.sampled_from(["run", "sweep"]))
def test_any_bytes(content: bytes, kind: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.toml"
        path.write_bytes(content)
        with pytest.raises(ConfigError, match=r"x\.toml") as error:
            load_config(path) if kind == "run" else load_campaign(path)
        assert str(error.value).isprintable()


@pytest.mark.parametrize("name", ["..", ".", "../up", "a/b", "a\nb", 'a"b', "<script>", "", "é",
                                  "a b", "x" * 101, "-a", " a", "a\n"])  # fmt: skip
@pytest.mark.parametrize("where", ["flight", "panel"])
def test_names_that_could_leave_their_folder_are_refused(
    tmp_path: Path, name: str, where: str
) -> None:
    table = {**TABLE, "flight": dict(TABLE["flight"]), "panel": [dict(TABLE["panel"][0])]}
    (table["flight"] if where == "flight" else table["panel"][0])["name"] = name
    assert "name" in loaded(table, str(tmp_path))


@given(st.text(max_size=120))
def test_a_safe_name_is_a_flights_name_and_its_own(name: str) -> None:
    safe = safe_name(name)
    with tempfile.TemporaryDirectory() as folder:
        table = {**TABLE, "flight": {**TABLE["flight"], "name": safe}}
        assert loaded(table, folder) == ""
    assert safe_name(safe) == safe
    assert (safe == name) or safe_name(name + "x") != safe


@QUICK
@given(st.dictionaries(keys, values, max_size=4), st.dictionaries(keys, values, max_size=3))
def test_any_campaign(table: dict[str, Any], flight: dict[str, Any]) -> None:
    whole = {"sweep": {}, "flight": flight, **table}
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "inbox").mkdir()
        path = Path(folder) / "campaign.toml"
        path.write_text(tomli_w.dumps(whole), encoding="utf-8")
        with pytest.raises(ConfigError, match=r"campaign\.toml") as error:
            load_campaign(path)
        assert str(error.value).isprintable()
        assert not re.search(FOREIGN, str(error.value).partition("; got")[0])
