"""Chains in Python as cases of the C library: what its strict build must equal."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True)
class Asked:
    """A chain, what goes in and how."""

    processor: Any
    audio: npt.NDArray[np.float64]
    sample_rate: float
    cuts: tuple[int, ...]
    place: int
    track: int
    level_db: float


@dataclass(frozen=True)
class Came:
    """What came out: as it comes, late by the latency."""

    audio: npt.NDArray[np.float64]
    latency: int
    tail: int


def run(asked: Asked) -> Came:
    channels, samples = asked.audio.shape
    stream = asked.processor.stream(
        sample_rate=asked.sample_rate, channels=channels, start_sample=asked.place, track=asked.track
    )
    parts, start, turn = [], 0, 0
    while start < samples:
        count = asked.cuts[turn % len(asked.cuts)]
        parts.append(stream.advance(asked.audio[:, start : start + count].copy()))
        start += count
        turn += 1
    return Came(np.concatenate(parts, axis=1), int(stream.latency), int(stream.tail_samples(asked.level_db)))
