"""A bar with the time left, for people who wait."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress

__all__ = ["new_bars", "shown"]


def new_bars() -> "Progress":
    """Bars on standard error, each with a description, the share that is done and the time left; not yet begun."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    return Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %", markup=False),
        TimeRemainingColumn(elapsed_when_finished=True),
        TextColumn("left", markup=False),
        console=Console(stderr=True, markup=False, emoji=False, highlight=False),
        transient=True,
        # What goes to standard output stays there, and is none of the bars' business.
        redirect_stdout=False,
        redirect_stderr=False,
    )


@contextmanager
def shown(what: str) -> Iterator[Callable[[float], None]]:
    """Show how much is done, and the time left for the rest, on standard error; nothing where it is no terminal.

    Parameters
    ----------
    what : str
        What is being done, in a word or two.

    Yields
    ------
    callable
        Takes the share that is done, from 0 to 1.
    """
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    with new_bars() as bars:
        task = bars.add_task(what, total=1.0)
        yield lambda share: bars.update(task, completed=share)
