"""PROV-JSON (W3C Member Submission, 24 April 2013): its members and their references."""

from __future__ import annotations

from typing import Any

import pipeline
from pipeline.write.provenance import (
    Extents,
    Input,
    Output,
    cube_attributes,
    late_attributes,
    prov_json,
)

INPUTS = [
    Input("raw/strip-00.raw", 100, "a" * 64, "cube"),
    Input("raw/strip-00.hdr", 10, "b" * 64, "header"),
    Input("certificates/grey-50.csv", 20, "c" * 64, "certificate"),
]


def document(follows: str | None = None) -> Any:
    return prov_json(
        run_id="abc", follows=follows, software="reflectory 0.1.0", started="2026-06-18T11:00:00Z",
        ended="2026-06-18T11:01:00Z", inputs=INPUTS,
        outputs=[Output("strip-00.nc", 50, "d" * 64), Output("config.toml", 5, "e" * 64)],
        config_sha256="f" * 64,
        steps=[{"step": "dark"}],
    )  # fmt: skip


def test_only_members_of_the_standard() -> None:
    assert set(document("xyz")) <= {
        "prefix", "entity", "activity", "agent", "used", "wasGeneratedBy", "wasDerivedFrom",
        "wasAssociatedWith", "wasInformedBy",
    }  # fmt: skip


def test_every_reference_leads_to_something() -> None:
    told = document("xyz")
    there = {*told["entity"], *told["activity"], *told["agent"]}
    keys = ("prov:entity", "prov:activity", "prov:agent", "prov:generatedEntity",
            "prov:usedEntity", "prov:informed", "prov:informant")  # fmt: skip
    relations = ("used", "wasGeneratedBy", "wasDerivedFrom", "wasAssociatedWith", "wasInformedBy")
    for relation in relations:
        assert told[relation], relation
        for identifier, row in told[relation].items():
            assert identifier.startswith("_:")
            assert {row[key] for key in row if key in keys} <= there
    for name in there:
        assert name.split(":")[0] in told["prefix"]


def test_a_cube_file_derives_from_its_own_raw_file_alone() -> None:
    derived = list(document()["wasDerivedFrom"].values())
    assert [(d["prov:generatedEntity"], d["prov:usedEntity"]) for d in derived] == [
        ("reflectory:output/abc/strip-00.nc", "reflectory:input/raw/strip-00.raw")
    ]


def test_the_first_run_follows_nothing() -> None:
    assert "wasInformedBy" not in document()
    assert late_attributes("abc", None, INPUTS)["follows"] == "none"


def test_inputs_are_listed_with_digest_size_role_and_name() -> None:
    listed = str(late_attributes("abc", "xyz", INPUTS)["inputs"]).splitlines()
    assert listed[0] == f"{'a' * 64}  100  cube  raw/strip-00.raw"
    assert len(listed) == 3


def test_an_input_is_one_line_whatever_its_name() -> None:
    odd = [Input("raw/two\nlines.raw", 1, "a" * 64, "cube"), *INPUTS]
    listed = str(late_attributes("abc", None, odd)["inputs"]).splitlines()
    assert len(listed) == len(odd)
    assert listed[0].endswith("raw/two\\nlines.raw")


def test_outputs_have_their_size() -> None:
    output = document()["entity"]["reflectory:output/abc/strip-00.nc"]
    assert output["reflectory:bytes"] == 50


def test_extents_are_stated_with_their_accuracy() -> None:
    made = cube_attributes(
        flight="f", cube="c", started="s", config_text="x", config_sha256="0", steps=[],
        blank=[], times_s=(0.0, 1.5), extents=Extents((1.0, 2.0), (3.0, 4.0), "rough"), more={},
    )  # fmt: skip
    assert (made["geospatial_lat_min"], made["geospatial_lon_max"]) == (1.0, 4.0)
    assert made["position_accuracy"] == "rough"
    assert made["time_coverage_duration"] == "PT1.500S"
    assert pipeline.__version__ in str(made["history"])
