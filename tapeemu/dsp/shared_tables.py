"""Tables that are designed once and read by every stream, where nobody may write."""

from collections.abc import Callable
from functools import lru_cache, wraps
from typing import Any, ParamSpec, TypeVar

import numpy as np

__all__ = ["read_only", "shared"]

Arguments = ParamSpec("Arguments")
Table = TypeVar("Table")


def read_only(table: Table) -> Table:
    """Lock an array, or all arrays in a tuple (of tuples); other values are left as they are."""
    if isinstance(table, np.ndarray):
        table.flags.writeable = False
    elif isinstance(table, tuple):
        for part in table:
            read_only(part)
    return table


def shared(maxsize: int) -> Callable[[Callable[Arguments, Table]], Callable[Arguments, Table]]:
    """Keep the results of a design for the next who asks for it, locked.

    Parameters
    ----------
    maxsize : int
        How many results are kept; the oldest goes first.
    """

    def decorate(design: Callable[Arguments, Table]) -> Callable[Arguments, Table]:
        @lru_cache(maxsize=maxsize)
        @wraps(design)
        def locked(*arguments: Any, **named: Any) -> Table:
            return read_only(design(*arguments, **named))

        return locked  # type: ignore[return-value]

    return decorate
