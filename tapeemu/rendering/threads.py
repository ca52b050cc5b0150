"""One task for many things at a time, in threads.

Threads, because the compiled loops let go of the interpreter, and the sound need not be copied.
"""

from collections.abc import Callable, Iterable
from typing import Any, TypeVar

__all__ = ["in_threads"]

_Result = TypeVar("_Result")


def in_threads(task: Callable[..., _Result], arguments: Iterable[tuple[Any, ...]], *, jobs: int) -> list[_Result]:
    """Call a task with each tuple of arguments, and return what comes back in their order.

    Parameters
    ----------
    task : callable
        What is to be done.
    arguments : iterable of tuple
        By position, a tuple a call.
    jobs : int
        Threads; 0 is one per core.
    """
    from joblib import Parallel, delayed

    results: list[_Result] = Parallel(n_jobs=jobs or -1, prefer="threads")(
        delayed(task)(*each) for each in arguments
    )
    return results
