"""The list of wrong lines does not rot: each still applies, and its tests are there."""

from __future__ import annotations

import ast
import importlib.util
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent


def _listed() -> Any:
    spec = importlib.util.spec_from_file_location("mutant_list", HERE / "mutant_list.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.MUTANTS


MUTANTS = _listed()


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda m: m.says)
def test_it_applies_once_and_its_tests_are_there(mutant: Any) -> None:
    text = (HERE.parent / mutant.file).read_text(encoding="utf-8")
    assert text.count(mutant.before) == 1
    if mutant.file.endswith(".py"):
        ast.parse(text.replace(mutant.before, mutant.after))
    assert mutant.tests
    assert [t for t in mutant.tests if not (HERE.parent / t).exists()] == []


def test_there_are_enough_and_none_twice() -> None:
    assert len(MUTANTS) >= 60
    assert len({(m.file, m.before, m.after) for m in MUTANTS}) == len(MUTANTS)
