"""A bar with the time left, for people who wait."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

__all__ = ["shown"]


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
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    with Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %", markup=False),
        TimeRemainingColumn(elapsed_when_finished=True),
        TextColumn("left", markup=False),
        console=Console(stderr=True, markup=False, emoji=False, highlight=False),
        transient=True,
        redirect_stdout=False,
        redirect_stderr=False,
    ) as bars:
        task = bars.add_task(what, total=1.0)
        yield lambda share: bars.update(task, completed=share)
