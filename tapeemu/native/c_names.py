"""Kernels in C but for their bodies: names, types, constants, declarations, comments."""

import ast
import textwrap
from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import Any

import numpy as np

from tapeemu.native.subset import (
    DOUBLE,
    INDEX,
    INT64,
    REAL,
    SINGLE,
    TRUTH,
    UINT64,
    UNSIGNED_INDEX,
    Array,
    Function,
    Record,
    Scalar,
    Type,
    Unit,
    UnsignedIndex,
)

__all__ = [
    "comment",
    "constant_kind",
    "constant_lines",
    "constant_name",
    "function_name",
    "literal",
    "local_name",
    "record_lines",
    "signature",
    "type_name",
    "view_name",
    "wrapped",
]

_C_WORDS = """
auto break case char const continue default do double else enum extern float for goto if inline int long
register restrict return short signed sizeof static struct switch typedef union unsigned void volatile while
real ix ux
"""
_RESERVED = frozenset(_C_WORDS.split())


def view_name(kind: Array) -> str:
    """Name of the struct that a part of an array is passed in."""
    return f"{kind.element.name.removesuffix('_t')}s_{kind.rank}"


def type_name(kind: Type | None) -> str:
    """A type in C."""
    if kind is None:
        return "void"
    if isinstance(kind, Array):
        return view_name(kind)
    return kind.name


def literal(value: Any, kind: Scalar) -> str:
    """A constant of a type, exact to the last bit.

    Real numbers whose decimal is short and exact (0.25, 3.0) are written so, others in hexadecimal.
    """
    if kind.sort == "real":
        number = float(value)
        plain = abs(number) < 1e6 and Fraction(number).denominator <= 1024
        text = repr(number) if plain else number.hex()
        return {REAL: f"REAL({text})", SINGLE: f"{text}f", DOUBLE: text}[kind]
    number = int(value)
    if kind == UINT64:
        return f"UINT64_C({number:#x})" if number > 2**16 else f"UINT64_C({number})"
    if kind == INT64:
        return f"INT64_C({number})"
    if kind == UNSIGNED_INDEX:
        return f"(ux){number}"
    if kind == TRUTH:
        return "true" if value else "false"
    return str(number)


def constant_kind(value: Any) -> Scalar:
    """Type that a constant of a kernel file has by itself."""
    kinds = (
        (UnsignedIndex, UNSIGNED_INDEX),
        (bool, TRUTH),
        (np.uint64, UINT64),
        (np.integer, INT64),
        (int, INDEX),
    )
    for sort, kind in kinds:
        if isinstance(value, sort):
            return kind
    return REAL


def constant_name(unit: Unit, name: str) -> str:
    """A constant of a kernel file as a name in C."""
    return f"{unit.name}_{name.lstrip('_')}".upper()


def constant_lines(unit: Unit, functions: Iterable[Function]) -> list[str]:
    """The constants of a kernel file that its kernels use."""
    used = {node.id for function in functions for node in ast.walk(function.node) if isinstance(node, ast.Name)}
    return [
        f"#define {constant_name(unit, name)} {literal(value, constant_kind(value))}"
        for name, value in unit.constants.items()
        if name in used
    ]


def local_name(name: str) -> str:
    """A Python name as a name in C."""
    return f"{name}_" if name in _RESERVED else name


def signature(unit: Unit, function: Function) -> str:
    """The declaration of a function, without its semicolon."""
    given = []
    for name, kind in function.parameters.items():
        star = "const " + type_name(kind) + " *" if isinstance(kind, Record) else type_name(kind) + " "
        given.append(star + local_name(name))
    storage = "INLINED" if function.inline else "KERNEL"
    head = f"{storage} {type_name(function.returns)} {function_name(unit, function)}"
    return f"{head}({', '.join(given) or 'void'})"


def function_name(unit: Unit, function: Function) -> str:
    """A kernel's name in C: behind that of its file, unless it begins or ends with that."""
    if function.name.startswith(f"{unit.name}_") or function.name.endswith(f"_{unit.name}"):
        return function.name.lstrip("_")
    return f"{unit.name}_{function.name.lstrip('_')}"


def record_lines(record: Record) -> list[str]:
    """The struct of a named group."""
    fields = [f"    {type_name(kind)} {local_name(name)};" for name, kind in record.fields]
    return ["typedef struct {", *fields, f"}} {record.name};"]


def comment(text: str) -> list[str]:
    """A text of several lines as a comment."""
    if not text:
        return []
    lines = [line.replace("*/", "* /") for line in text.splitlines()]
    if len(lines) == 1:
        return [f"/* {lines[0]} */"]
    return ["/*", *(f" * {line}".rstrip() for line in lines), " */"]


def wrapped(lines: Iterable[str]) -> Iterator[str]:
    """Lines of at most 110 characters, broken behind commas where there are any."""
    for line in lines:
        if len(line) <= 110 or line.lstrip().startswith("/*"):
            yield line
            continue
        indent = " " * (len(line) - len(line.lstrip()) + 4)
        yield from textwrap.wrap(
            line,
            110,
            subsequent_indent=indent,
            break_long_words=False,
            break_on_hyphens=False,
            drop_whitespace=True,
        )
