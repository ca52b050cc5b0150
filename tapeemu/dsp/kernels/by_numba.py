"""Kernels compiled by numba: without the interpreter lock, cached on disk where that is possible.

The first compilation takes about a minute of work (``benchmarks/first_run.py``), so it is announced once, in one
line, to whoever listens through :func:`tapeemu.dsp.kernels.compilation.announce_with`.
"""

import functools
import gc
import hashlib
import logging
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
from llvmlite import ir  # type: ignore[import-untyped]
from numba.core import cgutils, event, types
from numba.extending import intrinsic, overload, typeof_impl

from tapeemu.dsp.kernels.builds import settings_may_move
from tapeemu.dsp.kernels.lanes import eight_lanes, eight_precise_lanes

__all__ = ["FIRST_COMPILATION", "compiled_by_numba", "for_types_of", "let_numba_call"]

Function = TypeVar("Function", bound=Callable[..., Any])

log = logging.getLogger("tapeemu")

_ANNOUNCEMENT = "compiling signal-processing loops, once per installation (about a minute)"


class _FirstCompilation(event.Listener):
    """Calls back once, when the first of our kernels misses the cache."""

    def __init__(self) -> None:
        self.callback: Callable[[str], None] = log.info
        self.announced = False

    def on_start(self, event: Any) -> None:
        dispatcher = event.data.get("dispatcher")
        module = getattr(getattr(dispatcher, "py_func", None), "__module__", None) or ""
        if not self.announced and module.startswith(__package__ or "tapeemu"):
            self.announced = True
            self.callback(_ANNOUNCEMENT)

    def on_end(self, event: Any) -> None:
        """Nothing to say when it is over."""


class _CollectorAtRest(event.Listener):
    """Keeps Python from collecting reference cycles while something is compiled.

    It would search all that the compiler holds again and again, a tenth of the work, and find little.
    """

    def __init__(self) -> None:
        self._under_way = 0
        self._collecting = True

    def on_start(self, event: Any) -> None:
        if self._under_way == 0:
            self._collecting = gc.isenabled()
            gc.disable()
        self._under_way += 1

    def on_end(self, event: Any) -> None:
        self._under_way -= 1
        if self._under_way == 0 and self._collecting:
            gc.enable()


FIRST_COMPILATION = _FirstCompilation()
"""Whoever wants to hear of it sets its ``callback``."""
event.register("numba:compile", FIRST_COMPILATION)  # type: ignore[no-untyped-call]
event.register("numba:compile", _CollectorAtRest())  # type: ignore[no-untyped-call]


@intrinsic
def _room_for_eight(_context: Any) -> Any:
    """Address of eight zeros on the stack of the kernel that this is written into."""

    def write(_context: Any, builder: Any, _signature: Any, _arguments: Any) -> Any:
        count = ir.Constant(ir.IntType(64), 8)
        room = cgutils.alloca_once(builder, ir.DoubleType(), size=count)  # type: ignore[no-untyped-call]
        for place in range(8):
            builder.store(
                ir.Constant(ir.DoubleType(), 0.0), builder.gep(room, [ir.Constant(ir.IntType(64), place)])
            )
        return room

    return types.CPointer(types.float64)(), write  # type: ignore[no-untyped-call]


# Written into its caller, or the room would be gone when it is used.
@overload(eight_lanes, inline="always")
@overload(eight_precise_lanes, inline="always")
def _eight_lanes() -> Any:
    def compiled() -> Any:
        return numba.carray(_room_for_eight(), 8)  # type: ignore[attr-defined, call-arg]

    return compiled


@overload(settings_may_move, inline="always")
def _settings_may_move() -> Any:
    return lambda: True


@functools.cache
def let_numba_call(kind: type[Any]) -> None:
    """Take objects of a type, which have a kernel under the name ``by_numba``, for those kernels."""

    @typeof_impl.register(kind)
    def typeof(kernel: Any, context: Any) -> Any:
        return typeof_impl(kernel.by_numba, context)


_FOLDER = Path(__file__).parent
_IMPORT = re.compile(rf"^from {re.escape(__package__ or '')}\.(\w+) import", re.MULTILINE)


@functools.cache
def _read(path: Path) -> tuple[str, frozenset[str]]:
    """Digest of a source file, and the kernel files that it imports from."""
    try:
        source = path.read_bytes()
    except OSError:  # in an archive, or made on the spot: it cannot change behind our back
        return "", frozenset()
    return hashlib.sha256(source).hexdigest(), frozenset(_IMPORT.findall(source.decode("utf-8")))


def _stamp_of_imports(path: Path) -> tuple[str, ...]:
    """Digests of all kernel files that a file imports from, by way of others as well.

    The compiled form of a kernel holds those of the kernels that it calls, so it is stale when one of them is.
    """
    found: set[str] = set()
    ahead = set(_read(path)[1])
    while ahead:
        name = ahead.pop()
        if name not in found:
            found.add(name)
            ahead |= _read(_FOLDER / f"{name}.py")[1]
    return tuple(_read(_FOLDER / f"{name}.py")[0] for name in sorted(found))


def _with_lanes(compile_for: Callable[..., Any]) -> Callable[..., Any]:
    """A dispatcher's way to compile, with statements of a kind put side by side.

    numba knows this as a setting of the whole process; it is put back, so that nobody else's code changes.
    """

    def compile_with_lanes(signature: Any) -> Any:
        before = numba.config.SLP_VECTORIZE  # type: ignore[attr-defined]
        numba.config.SLP_VECTORIZE = 1  # type: ignore[attr-defined]
        try:
            return compile_for(signature)
        finally:
            numba.config.SLP_VECTORIZE = before  # type: ignore[attr-defined]

    return compile_with_lanes


def compiled_by_numba(function: Function, *, inline: bool = False, abreast: bool = False) -> Function:
    """A kernel as numba compiles it when it is first called; see :func:`tapeemu.dsp.kernels.compilation.kernel`.

    A cache directory that cannot be written costs the cache, never the call.
    """
    options: dict[str, Any] = {
        "nogil": True,
        "fastmath": False,
        "error_model": "numpy",
        "no_cfunc_wrapper": True,
    }
    if inline:
        options["inline"] = "always"
    try:
        dispatcher = numba.njit(cache=True, **options)(function)
    except RuntimeError:  # no directory that a cache could be written to
        return cast(Function, numba.njit(**options)(function))
    index = dispatcher._cache._cache_file
    # numba looks at the file of the kernel alone.
    index._source_stamp = (
        index._source_stamp,
        _stamp_of_imports(Path(function.__code__.co_filename)),
    )
    if not inline:
        options["no_cpython_wrapper"] = True
        called = numba.njit(**options)(function)

        def find_for_any_number(arguments: Any, keywords: Any) -> Any:
            """One version serves all numbers that callers write down; numba would compile one for each."""
            return called.get_call_template(tuple(map(numba.types.unliteral, arguments)), keywords)

        # Other kernels call a form that Python cannot: what takes the arguments from Python is a fifth of the
        # work of compiling, and few kernels need it.
        dispatcher.get_call_template = find_for_any_number
        dispatcher.get_overload = called.get_overload
        if abreast:
            called.compile = _with_lanes(called.compile)
    if abreast:
        dispatcher.compile = _with_lanes(dispatcher.compile)
    load, save = dispatcher._cache.load_overload, dispatcher._cache.save_overload

    def load_if_readable(signature: Any, context: Any) -> Any:
        try:
            return load(signature, context)
        except AttributeError:  # written when there was a group of arrays that is no more
            dispatcher._cache.flush()
            return None

    def save_if_possible(signature: Any, data: Any) -> None:
        try:
            save(signature, data)
        except OSError as error:  # a full or read-only disk must not stop the sound
            log.debug("kernel cache not written: %s", error)

    dispatcher._cache.load_overload = load_if_readable
    dispatcher._cache.save_overload = save_if_possible
    return cast(Function, dispatcher)


def for_types_of(function: Callable[..., Any], *examples: Any) -> Callable[..., Any]:
    """A kernel compiled for arguments of the types of `examples`, to be called with such alone.

    A call of a kernel looks at the types of all that it is given, which for a group of arrays takes several
    microseconds. What is returned here does not look: it must get the same groups, and arrays of the same
    element, number of dimensions and contiguity, or it reads wrong memory.
    """
    if not hasattr(function, "compile"):  # left as Python
        return function
    types = tuple(numba.typeof(example) for example in examples)  # type: ignore[no-untyped-call]
    return cast(Callable[..., Any], function.compile(types))
