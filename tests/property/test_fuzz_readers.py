"""A short run of the fuzzer; its long form is the script beside this test."""

from __future__ import annotations

import importlib.util
from pathlib import Path


def test_damaged_inputs_are_read_or_refused(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location(
        "fuzz_many", Path(__file__).with_name("fuzz_many.py")
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    counts, found = module.fuzz(tmp_path, 600, seed=2)
    assert found == []
    assert sum(counts.values()) == 600
    # Damage is neither always fatal nor never seen.
    assert {what.split(": ")[1] for what in counts} == {"read", "refused"}
