"""Kernels called in the compiled library: what an annotation says, as ctypes has it.

The call lets go of the interpreter lock.
"""

import ctypes
import functools
import logging
import typing
from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar

import numpy as np

from tapeemu.dsp.kernels.arrays import ELEMENTS
from tapeemu.loop_library import digest, files_as_built, library_names

__all__ = ["UnfitError", "caller_of", "for_blocks", "held", "is_there", "let_go"]

log = logging.getLogger("tapeemu")

_Asked = TypeVar("_Asked")
_Made = TypeVar("_Made")


class UnfitError(Exception):
    """An array has gaps, or another element or number of dimensions than the library takes."""


_NUMBERS: dict[Any, Any] = {
    bool: ctypes.c_bool,
    int: ctypes.c_ssize_t,
    float: ctypes.c_double,
    np.float64: ctypes.c_double,
    np.float32: ctypes.c_float,
    np.int32: ctypes.c_int32,
    np.int64: ctypes.c_int64,
    np.uint64: ctypes.c_uint64,
}


class _Line(ctypes.Structure):
    """An array of one dimension."""

    _fields_ = (("at", ctypes.c_void_p), ("n0", ctypes.c_ssize_t))


class _Plane(ctypes.Structure):
    """An array of two dimensions."""

    _fields_ = (("at", ctypes.c_void_p), ("n0", ctypes.c_ssize_t), ("n1", ctypes.c_ssize_t))


class _Cube(ctypes.Structure):
    """An array of three dimensions."""

    _fields_ = (
        ("at", ctypes.c_void_p),
        ("n0", ctypes.c_ssize_t),
        ("n1", ctypes.c_ssize_t),
        ("n2", ctypes.c_ssize_t),
    )


_VIEWS = {1: _Line, 2: _Plane, 3: _Cube}


def _once(make: Callable[[_Asked], _Made]) -> Callable[[_Asked], _Made]:
    """Keep what is made; unlike with `functools.cache`, threads that ask at once get the same."""
    kept: dict[_Asked, _Made] = {}

    def find(asked: _Asked) -> _Made:
        try:
            return kept[asked]
        except KeyError:
            return kept.setdefault(asked, make(asked))

    return find


@functools.cache
def _library() -> ctypes.CDLL | None:
    """The library that was made from the kernels that stand here, the quickest build that this processor runs."""
    paths = files_as_built()
    if not paths or paths[0].name != library_names()[0]:
        return None
    try:
        library = ctypes.CDLL(str(paths[0]))
        usable = library_names()[: 1 + library.loops_wide()]
        widest = [path for path in paths if path.name in usable][-1]
        if widest != paths[0]:
            library = ctypes.CDLL(str(widest))
        library.loops_digest.restype = ctypes.c_char_p
        made_from = library.loops_digest().decode()
    except (OSError, AttributeError):
        return None
    if made_from != digest():
        log.info("the compiled loops are not made from the kernels that stand here; numba is used instead")
        return None
    return library


def is_there() -> bool:
    """Whether a library was built from the kernels that stand here."""
    return _library() is not None


def _array(element: str, dimensions: int) -> Callable[[Any], Any]:
    """What turns an array into what C is given."""
    view = _VIEWS[dimensions]
    typestr = np.dtype(ELEMENTS[element]).str

    def given(array: Any) -> Any:
        try:
            told = array.__array_interface__
        except AttributeError:
            raise UnfitError from None
        shape = told["shape"]
        if told["strides"] is not None or told["typestr"] != typestr or len(shape) != dimensions:
            raise UnfitError
        return view(told["data"][0], *shape)

    return given


@_once
def _group(made: type[Any]) -> tuple[Any, Callable[[Any], Any]]:
    """The structure of a NamedTuple, and what fills one."""
    fields, fillers = [], []
    for name, hint in typing.get_type_hints(made, include_extras=True).items():
        kind, filler = _kind(hint)
        fields.append((f"{name}_", kind))
        fillers.append(filler)
    structure = type(made.__name__, (ctypes.Structure,), {"_fields_": fields})

    def given(group: Any) -> Any:
        if type(group) is structure:
            return group
        if not isinstance(group, tuple) or len(group) != len(fillers):
            raise UnfitError
        # A list and no generator, whose tuple would be cut to its size: Python keeps every such tuple for reuse by
        # size, up to 2,000, and never reuses it.
        return structure(
            *[value if filler is None else filler(value) for filler, value in zip(fillers, group, strict=True)]
        )

    return structure, given


def _kind(hint: Any) -> tuple[Any, Callable[[Any], Any] | None]:
    """The type of a parameter or of a field in C, and what makes a value of it, if ctypes does not by itself."""
    if hasattr(hint, "_fields"):
        return _group(hint)
    if typing.get_origin(hint) is typing.Annotated:
        marks = typing.get_args(hint)[1:]
        if len(marks) == 2:
            return _VIEWS[marks[1]], _array(*marks)
        return _NUMBERS[ELEMENTS[marks[0]]], None
    return _NUMBERS[hint], None


def _result(hint: Any) -> tuple[Any, Callable[[Any], Any] | None]:
    """The type of what comes back, and what makes a Python value of it, if ctypes does not by itself."""
    if hint is type(None):
        return None, None
    group = hasattr(hint, "_fields")
    if group or typing.get_origin(hint) is tuple:
        members = typing.get_type_hints(hint, include_extras=True).values() if group else typing.get_args(hint)
        fields = [(f"m{place}", _kind(member)[0]) for place, member in enumerate(members)]
        structure = type("Results", (ctypes.Structure,), {"_fields_": fields})

        def taken(came: Any) -> Any:
            values = [getattr(came, name) for name, _ in fields]
            return hint(*values) if group else tuple(values)

        return structure, taken
    return _kind(hint)[0], None


class _Function(NamedTuple):
    """A function of the library.

    Attributes
    ----------
    called : callable
        Takes and gives what C has.
    fillers : list of callable or None
        What makes a value for C of each argument, where ctypes does not by itself.
    taken : callable or None
        What makes a Python value of the result, where ctypes does not by itself.
    """

    called: Any
    fillers: list[Callable[[Any], Any] | None]
    taken: Callable[[Any], Any] | None


# Kept, for ctypes gives a function a reference to itself: one for every stream would wait for the collector.
@_once
def _in_library(function: Callable[..., Any]) -> _Function | None:
    """A kernel as the library has it, with its types; None if it has not."""
    library = _library()
    package, _, file = (function.__module__ or "").rpartition(".")
    if library is None or package != __package__:
        return None
    try:
        # Not by its name as an attribute, which would give threads that come at once the same object.
        called = library[f"loop_{file}_{function.__name__}"]
    except AttributeError:
        return None
    hints = typing.get_type_hints(function, include_extras=True)
    called.restype, taken = _result(hints.pop("return", type(None)))
    kinds = [_kind(hint) for hint in hints.values()]
    called.argtypes = [
        ctypes.POINTER(kind) if hasattr(hint, "_fields") else kind
        for hint, (kind, _) in zip(hints.values(), kinds, strict=True)
    ]
    return _Function(called, [filler for _, filler in kinds], taken)


def caller_of(function: Callable[..., Any]) -> Callable[..., Any] | None:
    """A kernel in the library.

    Parameters
    ----------
    function : callable
        As it is written.

    Returns
    -------
    callable or None
        Takes what the function takes, and raises :class:`UnfitError` for what only others take. None if the
        library does not have it.
    """
    found = _in_library(function)
    if found is None:
        return None
    called, fillers, taken = found

    def run(*arguments: Any) -> Any:
        given = [
            value if filler is None else filler(value) for filler, value in zip(fillers, arguments, strict=True)
        ]
        came = called(*given)
        return came if taken is None else taken(came)

    return run


def held(group: Any) -> Any:
    """A group as the library takes it, which keeps its arrays alive; the group itself if it has no such form."""
    _, given = _group(typing.cast("Any", type(group)))
    try:
        made = given(group)
    except UnfitError:
        return group
    made.group = group
    return made


def let_go(value: Any) -> Any:
    """The group that was held; all else as it is."""
    return value.group if isinstance(value, ctypes.Structure) else value


def for_blocks(function: Callable[..., Any], group: Any) -> Callable[[Any, Any], Any] | None:
    """A kernel of the library with its group given, see :func:`tapeemu.dsp.kernels.compilation.for_blocks`."""
    found = _in_library(function)
    if found is None:
        return None
    called, memory = found.called, held(let_go(group))
    taken, given = _Plane(), _Plane()

    def run(block: Any, out: Any) -> Any:
        taken.at = block.__array_interface__["data"][0]
        taken.n0, taken.n1 = block.shape
        given.at = out.__array_interface__["data"][0]
        given.n0, given.n1 = out.shape
        return called(memory, taken, given)

    return run
