"""Loops over arrays, compiled by numba once and called without it from then on.

numba takes as long to load as all the rest of a command. What it makes is machine code like any
other: here it is kept in a file, and loaded again with llvmlite alone. A kernel works on what it
is handed and takes no memory of its own, so that no more of numba is needed while it runs.
"""

from __future__ import annotations

import contextlib
import ctypes
import functools
import hashlib
import importlib.util
import os
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import numpy as np

#: What compiled code may call by itself.
_C_LIBRARY = ("memcpy", "memmove", "memset", "erfc", "log", "sqrt")
_lock = threading.RLock()
_FLOAT, _INT, _BOOL = np.dtype(np.float64), np.dtype(np.int64), np.dtype(np.bool_)


class Kernel:
    """A function of numba's part of Python, called in machine code and without the GIL.

    Arguments are numpy arrays in C order, numbers, and tuples of these; it returns nothing and
    fills arrays instead. Its division follows IEEE 754 and raises nothing. One form is compiled
    for each set of types; a change of the function, of a global that it names, of the compiler
    or of the processor makes another.
    """

    def __init__(self, function: FunctionType) -> None:
        self.function = function
        self.__doc__, self.__name__ = function.__doc__, function.__name__
        self._forms: dict[tuple[Any, ...], Callable[..., None]] = {}

    def __call__(self, *arguments: Any) -> None:
        """Run the form for these arguments; TypeError of an array that is not in C order."""
        types: list[Any] = []
        flat: list[int | float] = []
        for argument in arguments:
            types.append(_flatten(argument, flat))
        key = tuple(types)
        form = self._forms.get(key)
        if form is None:
            with _lock:
                form = self._forms.get(key) or self._forms.setdefault(key, _form(self, key))
        form(*flat)


def compiled(function: Callable[..., None]) -> Kernel:
    """Make a kernel of a function."""
    assert isinstance(function, FunctionType)
    return Kernel(function)


def inlined(function: Any) -> Any:
    """Mark a function that kernels of its module call: it becomes a part of them."""
    function.part_of_kernels = True
    return function


def _flatten(value: Any, flat: list[int | float]) -> Any:
    """Put a value's address and lengths, or the number itself, behind `flat`; return its type."""
    if isinstance(value, np.ndarray):
        if not value.flags.c_contiguous:
            raise TypeError(f"a kernel takes arrays in C order; got strides {value.strides}")
        flat.append(value.ctypes.data)
        flat.extend(value.shape)
        return (value.dtype, value.ndim)
    if isinstance(value, tuple):
        return tuple([_flatten(part, flat) for part in value])
    if isinstance(value, np.generic):
        flat.append(value.item())
        return value.dtype
    flat.append(value)
    return _BOOL if isinstance(value, bool) else _INT if isinstance(value, int) else _FLOAT


def _leaves(kind: Any) -> Iterator[np.dtype[Any] | tuple[np.dtype[Any], int]]:
    """Arrays' and numbers' types in the order of `_flatten`."""
    if isinstance(kind, tuple) and not _is_array(kind):
        for part in kind:
            yield from _leaves(part)
    else:
        yield kind


def _is_array(kind: Any) -> bool:
    return isinstance(kind, tuple) and len(kind) == 2 and isinstance(kind[1], int)


def _form(kernel: Kernel, key: tuple[Any, ...]) -> Callable[..., None]:
    """Machine code for arguments of these types: from its file, or compiled now and kept there."""
    name = f"{kernel.__name__}-{_digest(kernel.function, key)}"
    file = _folder(kernel.function) / f"{name}.o"
    code = _kept(file)
    if code is None:
        code = _compile(kernel.function, key, name)
        _keep(file, code)
    parameters: list[Any] = []
    for leaf in _leaves(key):
        if isinstance(leaf, tuple):
            parameters += [ctypes.c_void_p, *[ctypes.c_int64] * leaf[1]]
        else:
            parameters.append(np.ctypeslib.as_ctypes_type(leaf))
    # numba's own functions first take places for what they return and raise, here nothing.
    call = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p, *parameters)(
        _address(code, name)
    )
    unused = (ctypes.c_void_p * 2)()
    places = (ctypes.addressof(unused), ctypes.addressof(unused) + ctypes.sizeof(ctypes.c_void_p))
    return functools.partial(call, *places)


def _digest(function: FunctionType, key: tuple[Any, ...]) -> str:
    """Of all that the machine code follows from."""
    import llvmlite.binding as llvm

    parts = [sys.version, llvm.__name__, str(llvm.llvm_version_info), llvm.get_host_cpu_name()]
    parts += [llvm.get_host_cpu_features().flatten(), repr(key), *_makings(function)]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:24]


def _makings(function: FunctionType) -> Iterator[str]:
    """A function's instructions and the values of the globals they name, and its parts' too."""
    code: CodeType = function.__code__
    yield from (code.co_name, code.co_code.hex(), repr(code.co_consts), repr(code.co_names))
    for name in code.co_names:
        value = function.__globals__.get(name)
        if hasattr(value, "part_of_kernels"):
            yield from _makings(value)
        elif isinstance(value, int | float | np.generic):
            yield f"{name}={value!r}"


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
        digest, code = file.read_bytes().partition(b"\n")[::2]
        if hashlib.sha256(code).hexdigest().encode() == digest:
            return code
    return None


def _keep(file: Path, code: bytes) -> None:
    """Keep machine code for the next process; where it cannot be, that one compiles again."""
    with contextlib.suppress(OSError):
        file.parent.mkdir(parents=True, exist_ok=True)
        handle, beside = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}.")
        try:
            with os.fdopen(handle, "wb") as out:
                out.write(hashlib.sha256(code).hexdigest().encode() + b"\n" + code)
            Path(beside).replace(file)
        except OSError:
            Path(beside).unlink()


def _compile(function: FunctionType, key: tuple[Any, ...], name: str) -> bytes:
    """Have numba compile a C function of plain addresses, lengths and numbers, by that name."""
    import numba

    def part(value: Any) -> Any:
        if not hasattr(value, "part_of_kernels"):
            return value
        return numba.njit(rebuilt(value), inline="always", error_model="numpy")

    def rebuilt(f: FunctionType) -> FunctionType:
        names = {n: part(v) for n, v in f.__globals__.items() if n in f.__code__.co_names}
        return FunctionType(f.__code__, f.__globals__ | names, f.__name__, f.__defaults__)

    parameters: list[str] = []
    types: list[Any] = []

    def bound(kind: Any) -> str:
        """The text of an argument from parameters, which are named and typed on the way."""
        at = f"p{len(parameters)}"
        if isinstance(kind, tuple) and not _is_array(kind):
            return "(" + "".join(f"{bound(inner)}, " for inner in kind) + ")"
        if not _is_array(kind):
            parameters.append(at)
            types.append(numba.from_dtype(kind))
            return at
        dtype, dimensions = kind
        lengths = [f"{at}_{n}" for n in range(dimensions)]
        parameters.extend([at, *lengths])
        types.extend([numba.types.CPointer(numba.from_dtype(dtype)), *[numba.int64] * dimensions])
        return f"carray({at}, ({''.join(f'{n}, ' for n in lengths)}))"

    call = ", ".join([bound(kind) for kind in key])
    text = f"def entry({', '.join(parameters)}):\n    kernel({call})\n"
    space = {"kernel": numba.njit(error_model="numpy")(rebuilt(function)), "carray": numba.carray}
    exec(compile(text, name, "exec"), space)
    entry = numba.njit(numba.void(*types), error_model="numpy")(space["entry"])
    (form,) = entry.overloads.values()
    return _machine_code(form.library.get_llvm_str(), form.fndesc.llvm_func_name, name)


def _machine_code(assembly: str, entry: str, name: str) -> bytes:
    """An object file of one function, which `name` is given to, and of what it calls."""
    import llvmlite.binding as llvm

    module = llvm.parse_assembly(assembly)
    for function in module.functions:
        if not function.is_declaration:
            function.linkage = "external" if function.name == entry else "internal"
    module.get_function(entry).name = name
    machine = _machine()
    # Once more, now that it is known that no array has an owner whose uses would be counted.
    tuning = llvm.create_pipeline_tuning_options(speed_level=3)
    tuning.loop_vectorization = tuning.slp_vectorization = True
    builder = llvm.create_pass_builder(machine, tuning)
    builder.getModulePassManager().run(module, builder)
    foreign = {f.name for f in module.functions if f.is_declaration}
    foreign -= {name for name in foreign if name.startswith("llvm.") or name in _C_LIBRARY}
    if foreign:
        raise TypeError(f"a kernel raises nothing and takes no memory; this one needs {foreign}")
    return bytes(machine.emit_object(module))


def _machine() -> Any:
    """This processor, with all that it can do."""
    import llvmlite.binding as llvm

    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    return llvm.Target.from_default_triple().create_target_machine(
        cpu=llvm.get_host_cpu_name(),
        features=llvm.get_host_cpu_features().flatten(),
        opt=3,
        jit=True,
    )


@functools.cache
def _engine() -> Any:
    """What lays object files into this process's memory, and keeps them there to its end."""
    import llvmlite.binding as llvm

    return llvm.create_mcjit_compiler(llvm.parse_assembly(""), _machine())


def _address(code: bytes, name: str) -> int:
    """Where the function of that name lies, of an object file that is loaded for it."""
    import llvmlite.binding as llvm

    engine = _engine()
    engine.add_object_file(llvm.ObjectFileRef.from_data(code))
    engine.finalize_object()
    return int(engine.get_function_address(name))
