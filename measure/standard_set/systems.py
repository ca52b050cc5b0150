"""The system under test, once for each seed."""

import threading
from collections.abc import Callable, Sequence
from typing import Any

from measure.parts.run import drive
from measure.validation import FloatArray, System, as_system

__all__ = ["seeded", "seeded_pairs"]


def seeded(system: Callable[..., Any], rate: float, seeds: Sequence[int]) -> tuple[tuple[int, ...], list[System]]:
    """The system with each seed, ready to be sent one channel.

    Parameters
    ----------
    system : callable
        As for :func:`measure.bench`. One without ``with_seed`` may hold state and is called by one thread at a
        time.
    rate : float
        Samples per second.
    seeds : sequence of int
        Seeds to ask for.

    Returns
    -------
    seeds : tuple of int
        Those that were used; empty for a system without any.
    systems : list of System
        One for each seed, one at least; each takes one channel and returns one of the same length.
    """
    reseed = getattr(system, "with_seed", None)
    if reseed is not None:
        return tuple(seeds), [_one_channel(as_system(reseed(seed)), rate) for seed in seeds]
    return (), [_one_at_a_time(_one_channel(as_system(system), rate))]


def seeded_pairs(system: Callable[..., Any], seeds: Sequence[int]) -> list[System]:
    """The system with each seed, ready to be sent two channels; see :func:`seeded`."""
    reseed = getattr(system, "with_seed", None)
    if reseed is not None:
        return [as_system(reseed(seed)) for seed in seeds]
    return [_one_at_a_time(as_system(system))]


def _one_channel(system: System, rate: float) -> System:
    def run(audio: FloatArray, sample_rate: float, /) -> FloatArray:
        return drive(system, audio, rate)

    return run


def _one_at_a_time(system: System) -> System:
    lock = threading.Lock()

    def run(audio: FloatArray, sample_rate: float, /) -> FloatArray:
        with lock:
            return system(audio, sample_rate)

    return run
