"""Kernels give what Python gives, are made again when anything they follow from is another, and
are called without their compiler from then on."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.compiled import forms, machine
from pipeline.compiled.call import Kernel, compiled

MODULE = """
import numpy as np
from pipeline.compiled.call import compiled, inlined

LIMIT = np.float32({limit})

@inlined
def cut(value):
    if value > LIMIT:
        return LIMIT
    return value{cut}

@compiled
def fill(values, table, how, out):
    (factor, offsets), bits = table
    for i in range(values.shape[0]):
        total = np.float64(0)
        for k in range(values.shape[1]):
            total += cut(values[i, k]) * factor + offsets[k]
        out[i] = total if how else -total
        if (bits & np.uint8(2)) != 0:
            out[i] += 1000.0
"""


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(sys, "pycache_prefix", None)
    return tmp_path


def kernel_in(folder: Path, *, limit: float = 3.0, cut: str = "") -> Kernel:
    """The kernel of a module that is written anew into the folder."""
    file = folder / "own.py"
    file.write_text(MODULE.format(limit=limit, cut=cut), encoding="utf-8")
    module: dict[str, Any] = {}
    exec(compile(file.read_text(encoding="utf-8"), file, "exec"), module)
    found = module["fill"]
    assert isinstance(found, Kernel)
    return found


VALUES = np.array([[1.0, 2, 3], [4, 5, 6]], np.float32)
TABLE = ((np.float32(2), np.array([0.5, 0.25, 0.125])), np.uint8(3))


def filled(kernel: Any, how: bool = True) -> list[float]:
    out = np.zeros(2)
    kernel(VALUES, TABLE, how, out)
    return [float(value) for value in out]


def kept(folder: Path) -> list[Path]:
    return sorted((folder / "__pycache__").glob("fill-*.o"))


@pytest.mark.parametrize("how", [True, False])
def test_a_kernel_fills_what_its_function_would(here: Path, how: bool) -> None:
    kernel = kernel_in(here)
    assert filled(kernel, how) == filled(kernel.function, how)
    assert filled(kernel, True) == [1012.875, 1018.875]


def test_whole_numbers_and_fractions_are_different_forms() -> None:
    @compiled
    def halve(x, out):  # type: ignore[no-untyped-def]
        out[0] = x / 2

    out = np.zeros(1)
    for x, half in ((3, 1.5), (3.5, 1.75), (np.float32(0.1), float(np.float32(0.1)) / 2)):
        halve(x, out)
        assert out[0] == half


def test_forms_are_kept_for_the_next_process_and_never_for_another_function(here: Path) -> None:
    assert filled(kernel_in(here)) == filled(kernel_in(here))
    (first,) = kept(here)
    made = first.stat().st_mtime_ns
    assert filled(kernel_in(here, limit=2.0)) == [1010.875, 1012.875]
    assert filled(kernel_in(here, cut=" + 1")) == [1018.875, 1018.875]
    assert len(kept(here)) == 3
    assert filled(kernel_in(here)) == [1012.875, 1018.875]
    assert first.stat().st_mtime_ns == made


@pytest.mark.parametrize("damage", [b"", b"x", None])
def test_a_kept_form_that_was_damaged_is_made_again(here: Path, damage: bytes | None) -> None:
    expected = filled(kernel_in(here))
    (file,) = kept(here)
    file.write_bytes(file.read_bytes()[:-40] if damage is None else damage)
    assert filled(kernel_in(here)) == expected
    digest, _, code = file.read_bytes().partition(b"\n")
    assert hashlib.sha256(code).hexdigest().encode() == digest


def test_where_nothing_can_be_kept_beside_the_module_it_is_in_the_users_cache(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(forms.os, "access", lambda path, mode: False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(here / "cache"))
    assert filled(kernel_in(here)) == [1012.875, 1018.875]
    assert kept(here) == []
    assert len(list((here / "cache" / "reflectory").glob("fill-*.o"))) == 1


def test_where_nothing_can_be_kept_at_all_it_is_made_all_the_same(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (here / "file").write_text("")
    monkeypatch.setattr(forms.os, "access", lambda path, mode: False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(here / "file"))
    assert filled(kernel_in(here)) == [1012.875, 1018.875]


def test_another_processor_has_forms_of_its_own(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(kernel_in(here))
    monkeypatch.setattr(machine.llvm, "get_host_cpu_features", no_features)
    assert filled(kernel_in(here)) == [1012.875, 1018.875]
    assert len(kept(here)) == 2


def no_features() -> Any:
    class Features(dict):  # type: ignore[type-arg]
        def flatten(self) -> str:
            return ""

    return Features()


def test_an_array_out_of_order_is_refused(here: Path) -> None:
    kernel = kernel_in(here)
    with pytest.raises(TypeError, match="C order"):
        kernel(np.zeros((3, 2), np.float32).T, TABLE, True, np.zeros(2))


def takes_memory(out):  # type: ignore[no-untyped-def]
    own = np.empty(out.size)
    for i in range(out.size):
        own[i] = i
    for i in range(out.size):
        out[i] = own[out.size - 1 - i]


def raises(out):  # type: ignore[no-untyped-def]
    if out[0] > 0:
        raise ValueError("not so")
    out[0] = 1.0


def test_what_a_kernel_raises_is_no_result() -> None:
    kernel, out = compiled(raises), np.zeros(1)
    kernel(out)
    with pytest.raises(RuntimeError, match="raises raised"):
        kernel(out)


LIST = [1.0]


def names_a_list(out):  # type: ignore[no-untyped-def]
    out[0] = LIST[0]


@pytest.mark.parametrize(
    ("function", "says"),
    [(takes_memory, "it needs NRT_"), (names_a_list, "names LIST, a list")],
)
def test_what_a_kernel_may_not_do_is_told_when_it_is_compiled(function: Any, says: str) -> None:
    with pytest.raises(TypeError, match=says):
        compiled(function)(np.zeros(3))


def test_many_threads_ask_for_a_form_at_once(here: Path) -> None:
    kernel = kernel_in(here)
    with ThreadPoolExecutor(8) as pool:
        assert {tuple(found) for found in pool.map(lambda _: filled(kernel), range(64))} == {
            (1012.875, 1018.875)
        }
    assert len(kept(here)) == 1


def test_a_kept_form_is_called_without_its_compiler(here: Path) -> None:
    filled(kernel_in(here))
    code = (
        "import sys, numpy as np; import own\n"
        "out = np.zeros(2)\n"
        "table = ((np.float32(2), np.array([0.5, 0.25, 0.125])), np.uint8(3))\n"
        "own.fill(np.array([[1., 2, 3], [4, 5, 6]], np.float32), table, True, out)\n"
        "print(out.tolist(), 'numba' in sys.modules)"
    )
    paths = os.pathsep.join([str(here), str(Path(forms.__file__).parents[2])])
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPYCACHEPREFIX"}
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True, text=True, check=True, env=environment | {"PYTHONPATH": paths},
    )  # fmt: skip
    assert done.stdout.strip() == "[1012.875, 1018.875] False"
