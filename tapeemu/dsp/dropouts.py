"""Dropouts: a Poisson process in time, any stretch of which can be listed without what came before.

Each second of the tape is a cell of its own: hashed uniform numbers give the number of dropouts in it (Poisson)
and place them evenly. Counts of disjoint cells are independent and places within a cell are even, which is a
homogeneous Poisson process exactly: the gaps between dropouts are exponential.
"""

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from tapeemu.validation import FloatArray

__all__ = ["Dropout", "DropoutLaw", "list_dropouts"]


class Dropout(NamedTuple):
    """One dropout.

    Attributes
    ----------
    time_seconds : float
        Its centre, from the origin of the tape.
    depth_db : float
        Depth of its floor, positive.
    length_ms : float
        Width between the points where it is half as deep, in dB.
    """

    time_seconds: float
    depth_db: float
    length_ms: float


class DropoutLaw(NamedTuple):
    """Rate, and the limits between which depth and length are distributed evenly on a logarithmic scale."""

    key: int
    per_minute: float
    depth_db: tuple[float, float]
    length_ms: tuple[float, float]


def list_dropouts(law: DropoutLaw, start_seconds: float, end_seconds: float) -> list[Dropout]:
    """All dropouts whose centre lies from `start_seconds` up to `end_seconds`, in order of time."""
    if law.per_minute <= 0.0:
        return []
    found = [
        dropout
        for cell in range(math.floor(start_seconds), math.ceil(end_seconds))
        for dropout in _cell(law, cell)
        if start_seconds <= dropout.time_seconds < end_seconds
    ]
    return sorted(found)


def _cell(law: DropoutLaw, cell: int) -> Iterator[Dropout]:
    count = _poisson(law.per_minute / 60.0, float(_uniforms(law.key, cell, 0, 1)[0]))
    draws = _uniforms(law.key, cell, 1, 3 * count).reshape(count, 3)
    for place, deep, long in draws.tolist():
        yield Dropout(cell + place, _between(law.depth_db, deep), _between(law.length_ms, long))


def _between(limits: tuple[float, float], share: float) -> float:
    low, high = limits
    return float(low * (high / low) ** share)


def _poisson(mean: float, share: float) -> int:
    """Poisson quantile, by adding up its probabilities."""
    probability = math.exp(-mean)
    total = probability
    count = 0
    while share > total and count < 10.0 * mean + 100.0:
        count += 1
        probability *= mean / count
        total += probability
    return count


def _uniforms(key: int, cell: int, first: int, count: int) -> FloatArray:
    """Uniform numbers in (0, 1) by key, cell and counter, from `first` on."""
    from tapeemu.dsp.kernels.hashing import fill_uniforms

    out = np.empty(count)
    fill_uniforms(np.uint64(key), cell, first, out)
    return out
