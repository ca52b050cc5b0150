"""Ctrl-C, which a terminal sends to every process of a program at once."""

import contextlib
import signal
from collections.abc import Iterator

__all__ = ["held_interruptions"]


@contextlib.contextmanager
def held_interruptions() -> Iterator[None]:
    """Start joblib's processes so that they do not hear Ctrl-C, which only the one that started them answers to.

    A process inherits what its parent holds back at that moment. Else each prints the story of its own end, and
    one that is still loading prints it before any of our lines could catch it. Whoever started them ends them.
    An interruption that comes meanwhile is told at the end. Where signals cannot be held (Windows), nothing is.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # its start lets signals through again, so it must not come later
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
