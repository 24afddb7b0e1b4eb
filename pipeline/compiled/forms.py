"""Machine code of a kernel for one set of types: kept in a file, laid into memory, called."""

from __future__ import annotations

import contextlib
import ctypes
import functools
import hashlib
import importlib.util
import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any

import llvmlite.binding as llvm
import numpy as np

from pipeline.compiled.kinds import Kind, is_array, leaves
from pipeline.compiled.machine import address, processor


def form_of(function: FunctionType, kinds: tuple[Kind, ...]) -> Callable[..., int]:
    """What calls a function in machine code, from its file, or compiled now and kept there.

    It takes the addresses, lengths and numbers of the arguments of these types, and is never
    wrong for a change: another function, another value of a global that it names, another
    compiler or processor make another file.
    """
    name = f"{function.__name__}-{_digest(function, kinds)}"
    file = _folder(function) / f"{name}.o"
    code = _kept(file)
    if code is None:
        # Intel's vector functions, where numba finds them, would have to be loaded with each form.
        os.environ.setdefault("NUMBA_DISABLE_INTEL_SVML", "1")
        # Loads numba.
        from pipeline.compiled.compiler import object_file

        code = object_file(function, kinds, name)
        _keep(file, code)
    parameters: list[Any] = []
    for leaf in leaves(kinds):
        if is_array(leaf):
            parameters += [ctypes.c_void_p, *[ctypes.c_int64] * leaf[1]]
        else:
            parameters.append(np.ctypeslib.as_ctypes_type(leaf))
    # numba's functions first take places for what they return and what they raise: here nothing.
    places = [ctypes.pointer(ctypes.c_void_p()) for _ in range(2)]
    prototype = ctypes.CFUNCTYPE(ctypes.c_int, *[ctypes.c_void_p] * 2, *parameters)
    return functools.partial(prototype(address(code, name)), *places)


def _digest(function: FunctionType, kinds: tuple[Kind, ...]) -> str:
    """Of all that the machine code follows from."""
    compiler = (sys.version, repr(llvm.llvm_version_info))
    parts = [*processor(), *compiler, repr(kinds), *_makings(function)]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:24]


def _makings(function: Any) -> Iterator[str]:
    """A function's instructions and the values of the globals that they name, its parts' too."""
    code = function.__code__
    yield from (code.co_name, code.co_code.hex(), repr(code.co_consts), repr(code.co_names))
    for name in code.co_names:
        value = function.__globals__.get(name)
        if hasattr(value, "part_of_kernels"):
            yield from _makings(value)
        elif isinstance(value, int | float | tuple | type | np.generic):
            yield f"{name}={value!r}"
        elif value is not None and not isinstance(value, ModuleType):
            raise TypeError(f"{code.co_name} names {name}, a {type(value).__name__}")


def _folder(function: FunctionType) -> Path:
    """Where Python keeps what it compiled of the function's module, or else the user's cache."""
    beside = Path(importlib.util.cache_from_source(function.__code__.co_filename)).parent
    with contextlib.suppress(OSError):
        beside.mkdir(parents=True, exist_ok=True)
    if os.access(beside, os.W_OK):
        return beside
    home = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(home) / "reflectory"


def _kept(file: Path) -> bytes | None:
    """Machine code as it was kept; None where there is none, or not as it was written."""
    with contextlib.suppress(OSError):
        digest, _, code = file.read_bytes().partition(b"\n")
        if hashlib.sha256(code).hexdigest().encode() == digest:
            return code
    return None


def _keep(file: Path, code: bytes) -> None:
    """Keep machine code for the next process; where that cannot be, it compiles again."""
    with contextlib.suppress(OSError):
        file.parent.mkdir(parents=True, exist_ok=True)
        handle, beside = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}.")
        try:
            with os.fdopen(handle, "wb") as out:
                out.write(hashlib.sha256(code).hexdigest().encode() + b"\n" + code)
            Path(beside).replace(file)
        except OSError:
            Path(beside).unlink()
