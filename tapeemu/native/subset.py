"""The numeric subset: from the source of a kernel file to functions whose every name has a type.

What is not in the subset is refused with file, line and remedy. Types come from annotations; a local name has
the type of what it is first given, and keeps it.
"""

import ast
import importlib
import inspect
import io
import sys
import tokenize
import typing
import weakref
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from tapeemu.errors import TapeemuError

__all__ = [
    "CASTS",
    "DOUBLE",
    "INDEX",
    "INT32",
    "INT64",
    "NO_KERNELS",
    "REAL",
    "SINGLE",
    "TRUTH",
    "UINT64",
    "UNSIGNED_INDEX",
    "Array",
    "Function",
    "Record",
    "Scalar",
    "SubsetError",
    "Type",
    "Unit",
    "UnsignedIndex",
    "read_unit",
]


class SubsetError(TapeemuError):
    """A kernel leaves the numeric subset; the text names file, line, rule and remedy."""


@dataclass(frozen=True)
class Scalar:
    """A number: its name in C and its sort."""

    name: str
    sort: str  # "truth", "signed", "unsigned", "real"
    width: int  # only to order types of one sort


@dataclass(frozen=True)
class Array:
    """A contiguous array, or a contiguous part of one."""

    element: Scalar
    rank: int


@dataclass(frozen=True)
class Record:
    """A named group of arrays and numbers (a NamedTuple), or what a function returns several of."""

    name: str
    fields: tuple[tuple[str, "Type"], ...]


Type = Scalar | Array | Record

TRUTH = Scalar("bool", "truth", 0)
INDEX = Scalar("ix", "signed", 32)
INT32 = Scalar("int32_t", "signed", 16)
INT64 = Scalar("int64_t", "signed", 64)
UNSIGNED_INDEX = Scalar("ux", "unsigned", 32)
UINT64 = Scalar("uint64_t", "unsigned", 64)
SINGLE = Scalar("float", "real", 16)
REAL = Scalar("real", "real", 32)
DOUBLE = Scalar("double", "real", 64)


class UnsignedIndex(int):
    """A constant that its file writes as ``np.uintp``."""


CASTS = {
    "int": INDEX,
    "float": REAL,
    "np.float64": DOUBLE,
    "np.double": DOUBLE,
    "np.float32": SINGLE,
    "np.int32": INT32,
    "np.int64": INT64,
    "np.uintp": UNSIGNED_INDEX,
    "np.uint64": UINT64,
}
"""Conversions of the subset, and what they convert to."""

_BY_NAME = {kind.name: kind for kind in (INT32, INT64, UINT64, SINGLE, REAL, DOUBLE)}
_PLAIN: dict[Any, Scalar] = {
    bool: TRUTH,
    int: INDEX,
    float: REAL,
    np.float32: SINGLE,
    np.float64: DOUBLE,
    np.int32: INT32,
    np.int64: INT64,
    np.uint64: UINT64,
}
_KERNELS = "tapeemu.dsp.kernels"
NO_KERNELS = frozenset({"arrays", "builds", "by_library", "by_numba", "compilation", "lanes"})
"""Files that kernel files import from which hold no kernels."""


@dataclass
class Function:
    """One kernel: its tree, and the type of every name in it.

    Attributes
    ----------
    name, doc : str
        As in the source; the docstring dedented.
    node : ast.FunctionDef
        The tree.
    parameters : mapping of str to Type
        In order.
    returns : Type or None
        None for a kernel that only writes into its arrays.
    inline : bool
        Whether it is written into every kernel that calls it (declared at the decorator).
    """

    name: str
    doc: str
    node: ast.FunctionDef
    parameters: Mapping[str, Type]
    returns: Type | None
    inline: bool = False


@dataclass
class Unit:
    """A kernel file: what it defines, in order, and the comments of its lines.

    Attributes
    ----------
    path : Path
        The source.
    module, name, doc : str
        The module's name, its last part, and the module's docstring.
    constants : mapping of str to int, float or numpy integer
        Numbers defined at the top of the file.
    records : mapping of str to Record
        Its NamedTuples.
    functions : mapping of str to Function
        Its kernels.
    comments : mapping of int to str
        Comments by line, without the sign.
    units : mapping of str to Unit
        The kernel files that it imports from, by the name of the module.
    imported : mapping of str to (Unit, Function)
        Kernels of other files, by the name that they have here.
    groups : mapping of str to Record
        NamedTuples of this file and of others, by the name that they have here.
    """

    path: Path
    module: str
    name: str
    doc: str
    constants: dict[str, Any]
    records: dict[str, Record]
    functions: dict[str, Function]
    comments: Mapping[int, str] = field(default_factory=dict)
    units: dict[str, "Unit"] = field(default_factory=dict)
    imported: dict[str, tuple["Unit", Function]] = field(default_factory=dict)
    groups: dict[str, Record] = field(default_factory=dict)

    def refuse(self, node: ast.AST, rule: str, remedy: str) -> SubsetError:
        """The error for a place that leaves the subset."""
        line = getattr(node, "lineno", 0)
        text = ast.unparse(node).splitlines()[0] if isinstance(node, ast.stmt | ast.expr) else ""
        shown = f": {text[:80]}" if text else ""
        return SubsetError(f"{self.path.name}:{line}{shown}: {rule}; {remedy}")


# Every file imports from many others, which would be read once for each of them.
_READ: "weakref.WeakKeyDictionary[ModuleType, tuple[str, Unit]]" = weakref.WeakKeyDictionary()


def read_unit(module: ModuleType | str, _reading: tuple[str, ...] = ()) -> Unit:
    """Read a kernel file, and those that it imports kernels from.

    Parameters
    ----------
    module : module or str
        The module, or its name.

    Raises
    ------
    SubsetError
        If an annotation or a definition is not of the subset, or files import one another in a circle.
    """
    loaded = importlib.import_module(module) if isinstance(module, str) else module
    path = Path(inspect.getsourcefile(loaded) or "")
    source = path.read_text("utf-8")
    if loaded in _READ and _READ[loaded][0] == source:
        return _READ[loaded][1]
    tree = ast.parse(source)
    constants: dict[str, Any] = {}
    records: dict[str, Record] = {}
    functions: dict[str, Function] = {}
    units: dict[str, Unit] = {}
    imported: dict[str, tuple[Unit, Function]] = {}
    groups: dict[str, Record] = {}
    unit = Unit(
        path=path,
        module=loaded.__name__,
        name=loaded.__name__.rsplit(".", 1)[-1],
        doc=ast.get_docstring(tree) or "",
        constants=constants,
        records=records,
        functions=functions,
        comments=dict(_comments(source)),
        units=units,
        imported=imported,
        groups=groups,
    )
    reading = (*_reading, loaded.__name__)
    for node in tree.body:
        if isinstance(node, ast.ClassDef):
            groups[node.name] = records[node.name] = _record(unit, node, getattr(loaded, node.name))
        elif isinstance(node, ast.FunctionDef):
            functions[node.name] = _function(unit, node, loaded)
        elif isinstance(node, ast.ImportFrom):
            _import(unit, node, loaded, reading)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            for target in targets:
                for name in ast.walk(target):
                    if isinstance(name, ast.Name):
                        value = getattr(loaded, name.id, None)
                        if isinstance(value, int | float | np.integer | np.floating):
                            constants[name.id] = UnsignedIndex(value) if _meant_as_index(node) else value
    _READ[loaded] = source, unit
    return unit


def _import(unit: Unit, node: ast.ImportFrom, loaded: ModuleType, reading: tuple[str, ...]) -> None:
    """Kernels, groups and constants of another kernel file."""
    package, _, name = (node.module or "").rpartition(".")
    beside = package in (loaded.__name__.rpartition(".")[0], _KERNELS)
    if not beside or name in NO_KERNELS or name in sys.stdlib_module_names or name == "numpy":
        return
    origin = node.module or ""
    if origin in reading:
        raise unit.refuse(node, "kernel files import one another in a circle", "move what both need into a third")
    other = unit.units.get(origin) or read_unit(origin, reading)
    unit.units[origin] = other
    for alias in node.names:
        here = alias.asname or alias.name
        value = getattr(loaded, here)
        if alias.name in other.functions:
            unit.imported[here] = (other, other.functions[alias.name])
        elif alias.name in other.imported:
            unit.imported[here] = other.imported[alias.name]
        elif alias.name in other.groups:
            unit.groups[here] = other.groups[alias.name]
        elif isinstance(value, int | float | np.integer | np.floating):
            unit.constants[here] = other.constants.get(alias.name, value)


def _meant_as_index(node: ast.Assign | ast.AnnAssign) -> bool:
    """Whether all that is assigned is written as ``np.uintp``, which by its value is another unsigned integer."""
    values = node.value.elts if isinstance(node.value, ast.Tuple) else [node.value]
    return all(isinstance(value, ast.Call) and ast.unparse(value.func) == "np.uintp" for value in values)


def _comments(source: str) -> Iterator[tuple[int, str]]:
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT and "type: ignore" not in token.string and "noqa" not in token.string:
            yield token.start[0], token.string.lstrip("# ")


def _type_of(unit: Unit, node: ast.AST, hint: Any) -> Type:
    origin = typing.get_origin(hint)
    # On most machines np.uintp is another name of np.uint64: the source tells which was meant.
    if isinstance(node, ast.expr) and ast.unparse(node) == "np.uintp":
        return UNSIGNED_INDEX
    if origin is typing.Annotated:
        marks = typing.get_args(hint)[1:]
        kind = _BY_NAME.get(marks[0]) if marks else None
        if kind is not None:
            return Array(kind, marks[1]) if len(marks) == 2 else kind
    elif origin is tuple:
        members = typing.get_args(hint)
        return Record("", tuple((f"m{k}", _type_of(unit, node, member)) for k, member in enumerate(members)))
    elif isinstance(hint, type) and issubclass(hint, tuple):
        for owner in (unit, *unit.units.values()):
            if hint.__name__ in owner.records:
                return owner.records[hint.__name__]
    elif hint in _PLAIN:
        return _PLAIN[hint]
    raise unit.refuse(
        node,
        f"the type {ast.unparse(node) if isinstance(node, ast.expr) else hint} is not of the subset",
        "use int, float, bool, np.uintp, np.uint64, np.int64, a type of kernels.arrays, or a NamedTuple",
    )


def _record(unit: Unit, node: ast.ClassDef, made: type) -> Record:
    if not (issubclass(made, tuple) and hasattr(made, "_fields")):
        raise unit.refuse(node, f"the class {node.name} is no NamedTuple", "group arrays in NamedTuples only")
    hints = typing.get_type_hints(made, include_extras=True)
    written = {
        inner.target.id: inner.annotation
        for inner in node.body
        if isinstance(inner, ast.AnnAssign) and isinstance(inner.target, ast.Name)
    }
    return Record(node.name, tuple((name, _type_of(unit, written[name], hint)) for name, hint in hints.items()))


def _function(unit: Unit, node: ast.FunctionDef, module: ModuleType) -> Function:
    made = getattr(module, node.name)
    plain = getattr(made, "py_func", made)
    hints = typing.get_type_hints(plain, include_extras=True)
    arguments = node.args
    if arguments.vararg or arguments.kwarg or arguments.kwonlyargs or arguments.defaults or arguments.posonlyargs:
        raise unit.refuse(node, "a kernel has plain parameters only", "write them one by one, without defaults")
    parameters = {}
    for argument in arguments.args:
        if argument.arg not in hints:
            raise unit.refuse(argument, f"the parameter {argument.arg} has no type", "annotate it")
        parameters[argument.arg] = _type_of(unit, argument.annotation or argument, hints[argument.arg])
    returned = hints.get("return", type(None))
    returns = None if returned is type(None) else _type_of(unit, node.returns or node, returned)
    if isinstance(returns, Array):
        raise unit.refuse(node, "a kernel returns an array", "let it write into one that it is given")
    if isinstance(returns, Record) and not returns.name:
        returns = Record(f"{unit.name}_{node.name}_result", returns.fields)
    return Function(
        name=node.name,
        doc=ast.get_docstring(node) or "",
        node=node,
        parameters=parameters,
        returns=returns,
        inline=_declared(unit, node, "inline"),
    )


def _declared(unit: Unit, node: ast.FunctionDef, what: str) -> bool:
    for decorator in node.decorator_list:
        if (
            isinstance(decorator, ast.Call)
            and isinstance(decorator.func, ast.Name)
            and decorator.func.id == "kernel"
        ):
            given = {keyword.arg: ast.literal_eval(keyword.value) for keyword in decorator.keywords}
            return bool(given.get(what, False))
    raise unit.refuse(
        node, f"{node.name} is no kernel", "decorate it with @kernel(), or move it out of this folder"
    )
