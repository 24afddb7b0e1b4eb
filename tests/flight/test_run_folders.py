"""A run's identity, and which folders are runs."""

from __future__ import annotations

import dataclasses
import json
import os
from pathlib import Path
from typing import Any

import pytest

from pipeline.calibrate.input_manifest import InputManifest, take_inputs
from pipeline.config.flight import load_config
from pipeline.flight.finished_runs import ID_LENGTH, finished_runs
from pipeline.flight.run_folders import run_id


def test_the_id_depends_on_config_inputs_refusals_and_version_alone(
    plain_flight: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = load_config(plain_flight.config)
    inputs = take_inputs(config)
    first = run_id(config, inputs)
    assert len(first) == ID_LENGTH

    def with_files(*files: Any) -> InputManifest:
        return dataclasses.replace(inputs, files=tuple(files))

    one, *others = inputs.files
    assert first == run_id(config, with_files(*others, one))
    assert first == run_id(config, with_files(dataclasses.replace(one, path=Path("x")), *others))
    assert first != run_id(config, with_files(*others))
    assert first != run_id(config, with_files(dataclasses.replace(one, sha256="0"), *others))
    assert first != run_id(config, with_files(dataclasses.replace(one, name="x"), *others))
    assert first != run_id(config, dataclasses.replace(inputs, refused=frozenset({"strip-01"})))
    assert first != run_id(config.model_copy(update={"work": "{}"}), inputs)
    monkeypatch.setattr("pipeline.flight.run_folders.__version__", "99")
    assert first != run_id(config, inputs)


def test_finished_runs_are_oldest_first_and_whole(tmp_path: Path) -> None:
    b, a, c = ("bb" * 6, "aa" * 6, "cc" * 6)
    for i, name in enumerate([b, a, ".writing-abc", c, f"{a}-set-aside", "notes"]):
        (tmp_path / name).mkdir()
        (tmp_path / name / "run.json").write_text(json.dumps({}))
        os.utime(tmp_path / name / "run.json", ns=(i, i))
    (tmp_path / ("dd" * 6)).mkdir()
    (tmp_path / ("ee" * 6)).symlink_to(tmp_path / a)
    assert [p.name for p in finished_runs(tmp_path)] == [b, a, c]
    assert finished_runs(tmp_path / "absent") == []
