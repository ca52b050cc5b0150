"""What runs a kernel: the compiled library beside the package, numba, or Python itself.

The library is used where it was built from the very kernels that stand there (:mod:`tapeemu.loop_library`); it
starts at once. Without it numba compiles a kernel when it is first called. All give the same bits.
``TAPEEMU_LOOPS`` says ``library``, ``numba`` or ``python`` where one is wanted; ``NUMBA_DISABLE_JIT=1`` chooses
Python, a thousand times slower, for debuggers and coverage, and ``NUMBA_BOUNDSCHECK=1`` chooses numba.
"""

import functools
import os
from collections.abc import Callable
from typing import Any, TypeVar, cast

import numpy as np

from tapeemu.dsp.kernels import by_library
from tapeemu.errors import ParameterError

__all__ = ["LOOPS", "Kernel", "announce_with", "for_blocks", "held", "kernel"]

Function = TypeVar("Function", bound=Callable[..., Any])

_CHOICES = ("library", "numba", "python")


def _chosen() -> str:
    """What runs the kernels of this process.

    Raises
    ------
    ParameterError
        If the environment wants what is not there.
    """
    wanted = os.environ.get("TAPEEMU_LOOPS", "")
    if wanted and wanted not in _CHOICES:
        raise ParameterError(
            f"TAPEEMU_LOOPS is {wanted}, which is none of {', '.join(_CHOICES)}; correct or unset it"
        )
    if wanted == "library" and not by_library.is_there():
        raise ParameterError(
            "TAPEEMU_LOOPS wants the library, which is not built; run python -m tapeemu.loop_library"
        )
    if wanted:
        return wanted
    if os.environ.get("NUMBA_DISABLE_JIT", "0") not in ("", "0"):
        return "python"
    if os.environ.get("NUMBA_BOUNDSCHECK", "0") not in ("", "0"):
        return "numba"
    return "library" if by_library.is_there() else "numba"


LOOPS = _chosen()
"""What runs the kernels of this process: ``library``, ``numba`` or ``python``."""


_MACHINE_TYPES: dict[type, Callable[[Any], Any]] = {int: np.int64, float: np.float64}


def _as_python(function: Function) -> Function:
    """Leave a kernel as it is written, with the arithmetic that it has when compiled.

    Numbers are those of the machine: they wrap, and a division by zero is not an error.
    """

    @functools.wraps(function)
    def run(*arguments: Any) -> Any:
        with np.errstate(all="ignore"):
            return function(*map(_as_machine, arguments))

    return cast(Function, run)


def _as_machine(value: Any) -> Any:
    """An argument with numbers of the machine, also those in a named group."""
    if isinstance(value, tuple) and hasattr(value, "_fields"):
        return type(value)(*map(_as_machine, value))
    return _MACHINE_TYPES.get(type(value), _as_is)(value)


def _as_is(value: Any) -> Any:
    return value


class Kernel:
    """A kernel that Python calls in the library; numba compiles it when it is called otherwise.

    Parameters
    ----------
    function : callable
        As it is written.
    inline, abreast : bool
        See :func:`kernel`.

    Attributes
    ----------
    py_func : callable
        As it is written.
    targetoptions : dict
        What numba wants to know of what it may write into a caller.
    """

    def __init__(self, function: Callable[..., Any], *, inline: bool, abreast: bool) -> None:
        functools.update_wrapper(self, function)
        self.py_func = function
        self.targetoptions = {"inline": "always" if inline else "never"}
        self._abreast = abreast
        self._run: Callable[..., Any] | None = None

    def __call__(self, *arguments: Any) -> Any:
        if self._run is None:
            self._run = by_library.caller_of(self.py_func) or self.by_numba
        try:
            return self._run(*arguments)
        except by_library.UnfitError:  # an array with gaps, or of another element
            return self.by_numba(*map(by_library.let_go, arguments))

    @functools.cached_property
    def by_numba(self) -> Any:
        """The same, compiled by numba."""
        from tapeemu.dsp.kernels.by_numba import compiled_by_numba, let_numba_call

        # What this one calls may be such an object as well.
        let_numba_call(Kernel)
        return compiled_by_numba(
            self.py_func, inline=self.targetoptions["inline"] == "always", abreast=self._abreast
        )


def kernel(*, inline: bool = False, abreast: bool = False) -> Callable[[Function], Function]:
    """Make a loop of the numeric subset a kernel: every operation as it is written, none fused, no sum reordered.

    The bits are the same on every machine, and those of the C files.

    Parameters
    ----------
    abreast : bool
        Let numba put like statements that follow one another into vector lanes, which it leaves out otherwise. The
        same operations in the same order, so the same bits.
    inline : bool
        Write the loop into every kernel that calls it, before anything is compiled: constants among the arguments
        are then constants in it.

    Returns
    -------
    decorator
        Turns a function of the numeric subset into what runs it, see :data:`LOOPS`.
    """

    def decorate(function: Function) -> Function:
        if LOOPS == "python":
            return _as_python(function)
        made = Kernel(function, inline=inline, abreast=abreast)
        return cast(Function, made if LOOPS == "library" else made.by_numba)

    return decorate


def announce_with(callback: Callable[[str], None]) -> None:
    """Send the one-line announcement of the first compilation to `callback`, where numba compiles."""
    if LOOPS == "numba":
        from tapeemu.dsp.kernels.by_numba import FIRST_COMPILATION

        FIRST_COMPILATION.callback = callback


def held(group: Any) -> Any:
    """A group of arrays in the form that a kernel takes quickest, call after call; the arrays stay as they are."""
    return by_library.held(group) if LOOPS == "library" else group


def for_blocks(function: Callable[..., Any], group: Any) -> Callable[[Any, Any], Any]:
    """A kernel that takes a group and two arrays, with the group given.

    A call of a kernel looks at all that it is given, which for a group of arrays takes several microseconds. What
    is returned here does not.

    Parameters
    ----------
    function : kernel
    group : NamedTuple of arrays

    Returns
    -------
    callable
        Takes two contiguous arrays of float64, of shape (channels, samples), or reads wrong memory.
    """
    if isinstance(function, Kernel):
        made = by_library.for_blocks(function.py_func, group)
        if made is not None:
            return made
        function = function.by_numba
    if LOOPS == "python":
        return functools.partial(function, group)
    from tapeemu.dsp.kernels.by_numba import for_types_of

    example = np.zeros((1, 1))
    return functools.partial(for_types_of(function, group, example, example), group)
