"""Sending a signal through a system under test."""

from typing import Any

import numpy as np

from measure.errors import MeasureError
from measure.validation import FloatArray, System

__all__ = ["drive"]


def drive(system: System, signal: FloatArray, sample_rate: float) -> FloatArray:
    """Send one channel through a system and return the one channel that comes back, as long as it went in.

    Raises
    ------
    MeasureError
        If the system returns something else than one channel of at least the same length.
    """
    # A copy: a system that works in place must not spoil the signal for the next one.
    answer: Any = np.asarray(system(signal.copy(), sample_rate))
    if answer.ndim == 2 and answer.shape[0] == 1:
        answer = answer[0]
    if answer.ndim != 1 or answer.dtype.kind != "f":
        raise MeasureError(
            f"the system returned shape {answer.shape} of type {answer.dtype} for one channel of "
            f"{len(signal)} samples; wrap it so that it returns one channel of floating-point samples"
        )
    if len(answer) < len(signal):
        raise MeasureError(
            f"the system returned {len(answer)} samples for {len(signal)}; it must not shorten audio"
        )
    return np.asarray(answer[: len(signal)], dtype=np.float64)
