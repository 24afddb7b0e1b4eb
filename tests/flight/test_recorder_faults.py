"""A recorder that wrote the same lines again, and one that clipped below saturation."""

from __future__ import annotations

from typing import Any

import numpy as np

import pipeline
from pipeline.flight.field_check import look


def rows(document: Any) -> dict[str, Any]:
    return {c["check"]: c for c in document["checks"]}


def rewrite(flight: Any, stem: str, counts: Any) -> None:
    path = flight.folder / "raw" / f"{stem}.raw"
    path.write_bytes(counts.astype("<u2").tobytes())
    (flight.folder / "raw" / "manifest.sha256").unlink(missing_ok=True)


def test_a_strip_of_one_line_repeated_is_unusable(plain_copy: Any) -> None:
    counts = plain_copy.counts("strip-01")
    counts[:] = counts[50]
    rewrite(plain_copy, "strip-01", counts)
    told: Any = look(plain_copy.config).to_json()
    assert told["verdict"] == "unusable"
    assert rows(told)["frozen"]["subject"] == "strip-01"
    assert "strip-01" in told["says"]


def test_a_few_repeated_lines_are_found_by_the_run_that_reads_all(plain_copy: Any) -> None:
    counts = plain_copy.counts("strip-01")
    counts[71:74] = counts[70]
    rewrite(plain_copy, "strip-01", counts)
    row = rows(pipeline.run(plain_copy.config, workers=2).document)["frozen"]
    assert (row["value"], row["verdict"], row["subject"]) == (3, "fail", "strip-01")


def test_a_dark_of_one_frame_repeated_is_unusable(plain_copy: Any) -> None:
    counts = plain_copy.counts("cap-before")
    counts[:] = counts[3]
    rewrite(plain_copy, "cap-before", counts)
    told: Any = look(plain_copy.config).to_json()
    assert rows(told)["frozen"]["verdict"] == "fail"
    assert rows(told)["frozen"]["subject"] == "cap-before"
    assert told["verdict"] == "unusable"


def test_a_few_repeated_frames_of_a_dark_are_found(plain_copy: Any) -> None:
    counts = plain_copy.counts("cap-before")
    counts[31:35] = counts[30]
    rewrite(plain_copy, "cap-before", counts)
    row = rows(look(plain_copy.config).to_json())["frozen"]
    assert (row["value"], row["subject"]) == (4, "cap-before")


def test_counts_clipped_on_the_brightest_panel_are_told_with_the_count_to_set(
    plain_copy: Any,
) -> None:
    """At 2800 counts the panel alone is clipped, a small part of its strip."""
    rewrite(plain_copy, "strip-00", np.minimum(plain_copy.counts("strip-00"), 2800))
    row = rows(look(plain_copy.config).to_json())["pile-up"]
    assert row["verdict"] == "caution"
    assert row["subject"] == "grey-50 in strip-00"
    assert "2800 counts" in row["says"]
    assert "saturation_counts to 2800" in row["do"]
    plain_copy.edit("saturation_counts = 4000", "saturation_counts = 2800")
    assert rows(look(plain_copy.config).to_json())["pile-up"]["verdict"] == "pass"
