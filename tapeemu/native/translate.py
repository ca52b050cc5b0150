"""Kernel files as C files: one C file and one header for each, names, comments and docstrings carried over."""

import importlib
from types import ModuleType

from tapeemu.loop_library import source_digest
from tapeemu.native.c_names import (
    comment,
    constant_lines,
    function_name,
    local_name,
    record_lines,
    signature,
)
from tapeemu.native.c_text import function_lines
from tapeemu.native.subset import Record, Unit, read_unit

__all__ = ["LICENCE", "c_source", "header_source", "loop_lines"]

LICENCE = "SPDX-License-Identifier: ISC"


def header_source(module: ModuleType | str) -> str:
    """The header of a kernel file: its groups of arrays and the declarations of its kernels.

    Parameters
    ----------
    module : module or str
        A kernel module, or its name.

    Raises
    ------
    SubsetError
        If the file leaves the subset.
    """
    unit = read_unit(module)
    guard = f"TAPEEMU_{unit.name.upper()}_H"
    lines = [*_opening(unit), f"#ifndef {guard}", f"#define {guard}", ""]
    lines += [f'#include "{other.name}.h"' for other in unit.units.values()] or ['#include "subset.h"']
    lines.append("")
    for record in unit.records.values():
        lines += [*record_lines(record), ""]
    for function in unit.functions.values():
        returned = function.returns
        if isinstance(returned, Record) and returned.name not in unit.records:
            lines += [*record_lines(returned), ""]
        lines.append(f"{signature(unit, function)};")
    return "\n".join([*lines, "", "#endif", ""])


def c_source(module: ModuleType | str) -> str:
    """The C file of a kernel file; parameters and errors as for :func:`header_source`."""
    unit = read_unit(module)
    made_from = f" ({source_digest(unit.path.read_bytes())})"
    lines = [*_opening(unit, made_from), *comment(unit.doc), "", f'#include "{unit.name}.h"', ""]
    constants = constant_lines(unit, unit.functions.values())
    lines += [*constants, ""] if constants else []
    for function in unit.functions.values():
        lines += [*function_lines(unit, function), ""]
    return "\n".join(lines)


def loop_lines(unit: Unit) -> list[str]:
    """The kernels of a file that others may call, as functions of a library; see loops.c."""
    public = importlib.import_module(unit.module).__all__
    lines = []
    for function in unit.functions.values():
        if function.name not in public:
            continue
        called = ", ".join(map(local_name, function.parameters))
        back = "" if function.returns is None else "return "
        declared = signature(unit, function).removeprefix("KERNEL ").removeprefix("INLINED ")
        name = f"loop_{unit.name}_{function.name}"
        declared = declared.replace(f" {function_name(unit, function)}(", f" {name}(", 1)
        body = f"{{ {back}{function_name(unit, function)}({called}); }}"
        lines += [f"LOOP {declared};", f"LOOP {declared} {body}"]
    return lines


def _opening(unit: Unit, made_from: str = "") -> list[str]:
    return [f"/* Generated from {unit.path.name}{made_from}; do not edit. {LICENCE} */", ""]
