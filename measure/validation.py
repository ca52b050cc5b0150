"""Checks of signals, rates and systems under test, done once where they come in from outside."""

import inspect
from collections.abc import Callable
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from measure.errors import MeasureError

__all__ = ["FloatArray", "System", "as_system", "check_frequency", "check_rate", "check_signal", "unusable"]

FloatArray = npt.NDArray[np.float64]


class System(Protocol):
    """Anything that turns audio of a rate into audio of the same rate."""

    def __call__(self, audio: FloatArray, sample_rate: float, /) -> FloatArray: ...


def check_rate(sample_rate: float) -> float:
    """Return the rate as a float; it must be a finite number above zero."""
    if isinstance(sample_rate, bool) or not isinstance(sample_rate, int | float | np.integer | np.floating):
        raise MeasureError(f"sample_rate is {sample_rate!r}, but must be a number of samples per second")
    if not 0.0 < float(sample_rate) < float("inf"):
        raise MeasureError(f"sample_rate is {sample_rate!r}, but must be finite and above zero")
    return float(sample_rate)


def check_frequency(frequency_hz: float, sample_rate: float, *, lowest_hz: float, highest_share: float) -> None:
    """Refuse the frequency of a tone that is not between a lowest one and a share of the rate."""
    highest_hz = highest_share * sample_rate
    if not lowest_hz <= frequency_hz <= highest_hz:
        raise MeasureError(
            f"frequency_hz is {frequency_hz!r}, but must lie between {lowest_hz:g} and {highest_hz:g} Hz "
            f"({highest_share:g} of the rate)"
        )


def check_signal(signal: Any, *, channels: bool = False) -> FloatArray:
    """Return a signal as float64.

    Parameters
    ----------
    signal : array_like, shape (samples,), or (channels, samples) where `channels` is true
        Real numbers, nominal full scale 1. Non-finite samples are let through: the quantity that finds
        them answers ``nan`` and says so.
    channels : bool
        Whether more than one channel is meant; the result then always has two dimensions.

    Raises
    ------
    MeasureError
        If the type or the shape is wrong.
    """
    array = np.asarray(signal)
    if array.dtype.kind != "f":
        raise MeasureError(
            f"the signal has type {array.dtype}, but must be floating point with full scale 1; "
            "divide integer samples by their full scale first"
        )
    if channels:
        if array.ndim not in (1, 2):
            raise MeasureError(f"the signal has shape {array.shape}, but must be (channels, samples)")
        return np.atleast_2d(array).astype(np.float64)
    if array.ndim == 2 and array.shape[0] == 1:
        array = array[0]
    if array.ndim != 1:
        raise MeasureError(
            f"the signal has shape {array.shape}, but this quantity is read from one channel: (samples,)"
        )
    return array.astype(np.float64)


def as_system(candidate: Callable[..., Any]) -> System:
    """Adapt a callable to ``(audio, sample_rate) -> audio``.

    Plain functions and plug-in objects take the rate by position; objects whose call has a keyword-only
    ``sample_rate`` get it by name.
    """
    if not callable(candidate):
        raise MeasureError(f"{candidate!r} is not callable, but a system must be (audio, sample_rate) -> audio")
    try:
        parameter = inspect.signature(candidate).parameters.get("sample_rate")
    except (TypeError, ValueError):  # compiled callables may have no signature
        parameter = None
    if parameter is not None and parameter.kind is inspect.Parameter.KEYWORD_ONLY:
        return lambda audio, sample_rate: np.asarray(candidate(audio, sample_rate=sample_rate))
    return lambda audio, sample_rate: np.asarray(candidate(audio, sample_rate))


def unusable(signal: FloatArray) -> str:
    """Return why nothing can be read from a signal at all; empty when something can."""
    if len(signal) < 64:
        return f"the recording has {len(signal)} samples, fewer than 64"
    finite = np.isfinite(signal)
    if not finite.all():
        first = int(np.argmin(finite))
        return (
            f"{len(signal) - np.count_nonzero(finite)} samples are not finite numbers; the first is sample {first}"
        )
    peak = float(np.max(np.abs(signal)))
    if peak < 1e-12:
        return "the recording is silent" if peak == 0.0 else f"the recording is silent (peak {peak:.1e})"
    if peak > 1e9:
        return f"the recording peaks at {peak:.1e}, far beyond full scale"
    if np.std(signal) <= 1e-10 * peak:
        return "the recording is a constant"
    return ""
