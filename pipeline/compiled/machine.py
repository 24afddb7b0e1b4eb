"""This machine: what object files are made for, and what lays them into memory."""

from __future__ import annotations

import functools

import llvmlite.binding as llvm


def processor() -> tuple[str, str]:
    """Its name and what it can do: what code is made for, and what a kept form is named by."""
    return llvm.get_host_cpu_name(), llvm.get_host_cpu_features().flatten()


def machine() -> llvm.TargetMachine:
    """This processor, with all that it can do."""
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    name, features = processor()
    return llvm.Target.from_default_triple().create_target_machine(
        cpu=name, features=features, opt=3, jit=True
    )


@functools.cache
def _engine() -> llvm.ExecutionEngine:
    """What lays object files into this process's memory, and keeps them there to its end."""
    return llvm.create_mcjit_compiler(llvm.parse_assembly(""), machine())


def address(code: bytes, name: str) -> int:
    """Where the function of that name lies, of an object file that is loaded for it."""
    engine = _engine()
    engine.add_object_file(llvm.ObjectFileRef.from_data(code))
    engine.finalize_object()
    return int(engine.get_function_address(name))
