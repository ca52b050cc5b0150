"""Sending signals through a system under test."""

from collections.abc import Callable
from typing import Any

import numpy as np

from measure.errors import MeasureError
from measure.parts.signals import NoiseBurst
from measure.validation import FloatArray, System, as_system

__all__ = ["drive", "drive_by_bursts"]


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


def drive_by_bursts(
    system: Callable[..., Any],
    make: Callable[..., NoiseBurst],
    sample_rate: float,
    *,
    burst_seconds: float,
    silence_seconds: float,
    level_dbfs: float,
    repeats: int,
    seed: int,
) -> tuple[list[FloatArray], NoiseBurst]:
    """Send bursts of different noise through a system, one after the other.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``.
    make : callable
        Makes a burst, as :func:`measure.parts.signals.noise_burst` does.
    sample_rate : float
        Samples per second.
    burst_seconds, silence_seconds : float
        Durations of the noise and of the silence behind it.
    level_dbfs : float
        RMS level of the noise.
    repeats : int
        Number of bursts, 1 or more.
    seed : int
        Seed of the first burst; each further one has the next.

    Returns
    -------
    recordings : list of ndarray, each of shape (samples,)
        What came back for each burst.
    burst : NoiseBurst
        The first burst, for the timing, which is the same for all.

    Raises
    ------
    MeasureError
        If `repeats` is no whole number of 1 or more, another argument breaks a rule of `make`, or the system
        breaks one of :func:`drive`.
    """
    if isinstance(repeats, bool) or not isinstance(repeats, int) or repeats < 1:
        raise MeasureError(f"repeats is {repeats!r}, but must be a whole number of 1 or more")
    under_test = as_system(system)
    bursts = [
        make(
            sample_rate,
            seconds=burst_seconds,
            silence_seconds=silence_seconds,
            level_dbfs=level_dbfs,
            seed=seed + k,
        )
        for k in range(repeats)
    ]
    return [drive(under_test, burst.signal, burst.sample_rate) for burst in bursts], bursts[0]
