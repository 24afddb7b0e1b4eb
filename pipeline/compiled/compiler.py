"""From a function and the types of its arguments to an object file, by numba."""

from __future__ import annotations

from types import FunctionType
from typing import Any

import llvmlite.binding as llvm
import numba

from pipeline.compiled.kinds import Kind, is_array
from pipeline.compiled.machine import machine

#: What machine code may ask of the process that it is laid into.
_C_LIBRARY = ("memcpy", "memmove", "memset", "memset_pattern16", "erfc", "log", "sqrt", "sqrtf")


def object_file(function: FunctionType, kinds: tuple[Kind, ...], name: str) -> bytes:
    """An object file with one function, `name`, of addresses, lengths and numbers.

    Raises
    ------
    TypeError
        The function takes memory or calls what no library has, for which it would need numba.
    """
    parameters: list[str] = []
    types: list[Any] = []

    def argument(kind: Kind) -> str:
        """The text that makes an argument of parameters, which are named and typed with it."""
        at = f"p{len(parameters)}"
        if is_array(kind):
            dtype, dimensions = kind
            lengths = [f"{at}_{axis}" for axis in range(dimensions)]
            parameters.extend([at, *lengths])
            pointer = numba.types.CPointer(numba.from_dtype(dtype))  # type: ignore[no-untyped-call]
            types.extend([pointer, *[numba.int64] * dimensions])
            return f"carray({at}, ({''.join(f'{length}, ' for length in lengths)}))"
        if isinstance(kind, tuple):
            return "(" + "".join(f"{argument(part)}, " for part in kind) + ")"
        parameters.append(at)
        types.append(numba.from_dtype(kind))
        return at

    call = ", ".join([argument(kind) for kind in kinds])
    text = f"def entry({', '.join(parameters)}):\n    kernel({call})\n"
    carray = numba.carray  # type: ignore[attr-defined]
    space = {"kernel": numba.njit(_with_parts(function), error_model="numpy"), "carray": carray}
    exec(compile(text, name, "exec"), space)
    entry = numba.njit(numba.void(*types), error_model="numpy")(space["entry"])
    (form,) = entry.overloads.values()
    return _alone(form.library.get_llvm_str(), form.fndesc.llvm_func_name, name)


def _with_parts(function: Any) -> FunctionType:
    """The function, the parts that it names ready for numba to put in their places."""
    parts = {
        name: numba.njit(_with_parts(part), inline="always", error_model="numpy")
        for name in function.__code__.co_names
        if hasattr(part := function.__globals__.get(name), "part_of_kernels")
    }
    space = function.__globals__ | parts
    return FunctionType(function.__code__, space, function.__name__, function.__defaults__)


def _alone(assembly: str, entry: str, name: str) -> bytes:
    """An object file of one function of the assembly, and of what that one calls."""
    module = llvm.parse_assembly(assembly)
    for function in module.functions:
        if not function.is_declaration:
            function.linkage = "external" if function.name == entry else "internal"
    module.get_function(entry).name = name
    # Once more, now that it shows that no array has an owner, whose uses would be counted.
    tuning = llvm.create_pipeline_tuning_options(speed_level=3)
    tuning.loop_vectorization = tuning.slp_vectorization = True
    target = machine()
    builder = llvm.create_pass_builder(target, tuning)
    builder.getModulePassManager().run(module, builder)
    asked = {function.name for function in module.functions if function.is_declaration}
    foreign = sorted(f for f in asked - set(_C_LIBRARY) if not f.startswith("llvm."))
    if foreign:
        raise TypeError(f"{name} is no kernel: it needs {', '.join(foreign)}")
    return bytes(target.emit_object(module))
