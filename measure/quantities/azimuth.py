"""Azimuth: how late one channel of a recording is against another, and how that wanders."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from measure.errors import MeasureError, counted
from measure.parts.few_degrees import widened
from measure.parts.steady_lines import decompose
from measure.results import Condition, Curve, Reading, Result, undefined
from measure.validation import FloatArray, check_frequency, check_rate, check_signal, unusable

__all__ = ["Azimuth", "azimuth"]

_FRAME_SECONDS = 0.04
_FEWEST_FRAMES = 20
_EXCEEDED_SHARE = 0.05
_METHOD = "phase of a tone between two channels, in frames of 40 ms (Hann), a tenth of a frame apart"
_DELAY, _WANDER = "delay of the second channel", "wander of that delay"
_MOST_APART = 2.0
"""Factor by which one track's level re the other's strays from its median for nine tenths of the time: less where
one tone is on both, for flutter and the tape meet both; two sounds come and go by themselves."""
_MOST_TURNS = 0.25
"""Of the tone: deviations beyond are no longer small against a turn."""
_QUANTILE_OF_RMS = 1.345
"""The size that Gaussian noise exceeds 5 % of the time scatters by this much more than its RMS, relatively: by
``sqrt(0.95 * 0.05) / (1.960 * 2 * 0.05845)`` over the square root of n samples, against ``1 / sqrt(2 n)``."""
_SLOW_DEGREES = 5.73
"""Degrees of freedom of the mean over five neighbouring bins of a Hann window, of which each shares four ninths of
its variance with the next and a thirty-sixth with the one after that: ``2 * 25 / (5 + 8 * 4 / 9 + 6 / 36)``."""
_LEAST_LEVEL = 0.03
"""Level of the fainter channel re the louder one, from which on their phases are compared."""


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Azimuth(Result):
    """What a tone on two tracks tells about the head that read them.

    Attributes
    ----------
    delay : Reading
        Mean delay of the second channel against the first, in microseconds.
    wander : Reading
        Deviation from that mean which is exceeded 5 % of the time, in microseconds.
    course : Curve
        Delay in microseconds against time.
    """

    delay: Reading
    wander: Reading
    course: Curve


def azimuth(recording: "npt.ArrayLike", sample_rate: float, *, frequency_hz: float = 1000.0) -> Azimuth:
    """Read the delay between the channels of a recording of one tone.

    Parameters
    ----------
    recording : array_like, shape (2, samples)
        A tone that was recorded on both tracks at once, in phase.
    sample_rate : float
        Samples per second.
    frequency_hz : float
        Of the tone. Delays of more than half its period cannot be told from shorter ones.

    Returns
    -------
    Azimuth
        ``nan`` with the reason where a channel is silent, too short or no tone of that frequency, where the
        channels do not share it, and where the delay wanders by more than a quarter of its period.

    Raises
    ------
    MeasureError
        If the recording has not two channels, or the tone does not fit the rate.

    Notes
    -----
    The wander is that below about 20 Hz, by the frames. It may be slow, so that few frames are independent. The
    uncertainties are therefore those of flutter (`measure.parts.fluctuation`): of the mean, from the density of
    the wander towards 0 Hz; of the wander, from the independent samples in its octaves, and from what the mean
    takes off that is slower than the recording is long. Own protocol, no source.
    """
    rate = check_rate(sample_rate)
    channels = check_signal(recording, channels=True)
    if channels.shape[0] != 2:
        raise MeasureError(
            f"the recording has {counted(channels.shape[0], 'channel')}, but azimuth lies between two"
        )
    check_frequency(frequency_hz, rate, lowest_hz=5.0 / _FRAME_SECONDS, highest_share=0.45)
    conditions: dict[str, Condition] = {
        "frequency_hz": float(frequency_hz),
        "frame_seconds": _FRAME_SECONDS,
        "seconds": round(channels.shape[1] / rate, 6),
        "sample_rate_hz": rate,
    }
    reason = next((why for why in map(unusable, channels) if why), "")
    if reason:
        return _undefined(reason, conditions)
    pointers, hop_seconds = _pointers(channels, rate, frequency_hz)
    if pointers.shape[1] < _FEWEST_FRAMES:
        return _undefined("the recording is too short: it needs 0.2 s or more", conditions)
    sizes = np.sqrt(np.mean(np.abs(pointers) ** 2, axis=1))
    heard = sizes / np.sqrt(2.0 * np.mean(channels**2, axis=1))
    if np.min(heard) < 0.3 or np.min(sizes) < _LEAST_LEVEL * np.max(sizes):
        return _undefined(f"there is no tone of {frequency_hz:g} Hz on both channels", conditions)
    levels = np.abs(pointers[1]) / np.maximum(np.abs(pointers[0]), np.finfo(float).tiny)
    low, middle, high = np.quantile(levels, (_EXCEEDED_SHARE, 0.5, 1.0 - _EXCEEDED_SHARE))
    if high > _MOST_APART * middle or middle > _MOST_APART * low:
        return _undefined(f"the channels do not share one tone of {frequency_hz:g} Hz", conditions)
    return _read(pointers, hop_seconds, frequency_hz, conditions)


def _read(
    pointers: npt.NDArray[np.complex128],
    hop_seconds: float,
    frequency_hz: float,
    conditions: dict[str, Condition],
) -> Azimuth:
    """Delay, its wander and its course, from the tone frame by frame; `pointers` has the shape (2, frames)."""
    turned = pointers[1] * np.conj(pointers[0])
    mean_angle = float(np.angle(np.sum(turned)))
    # Deviations from the mean are small against a turn, so no unwrapping can go astray.
    deviation = -np.angle(turned * np.exp(-1j * mean_angle)) / (2.0 * math.pi * frequency_hz) * 1e6
    delay_us = -mean_angle / (2.0 * math.pi * frequency_hz) * 1e6 + float(np.mean(deviation))
    deviation = deviation - float(np.mean(deviation))
    wander_us = float(np.quantile(np.abs(deviation), 1.0 - _EXCEEDED_SHARE))
    if wander_us > _MOST_TURNS * 1e6 / frequency_hz:
        reason = "the delay wanders by more than a quarter of the tone's period; record a tone of lower frequency"
        return _undefined(reason, conditions)
    mean_doubt, relative = _doubts(deviation, hop_seconds)

    def reading(quantity: str, value: float, uncertainty: float, basis: str) -> Reading:
        return Reading(
            quantity=quantity,
            value=value,
            unit="µs",
            method=_METHOD,
            conditions=conditions,
            uncertainty=uncertainty,
            uncertainty_basis=basis,
        )

    return Azimuth(
        delay=reading(
            _DELAY,
            delay_us,
            mean_doubt,
            "theory (density of the wander over the duration)",
        ),
        wander=reading(
            _WANDER,
            wander_us,
            wander_us * relative,
            "theory (independent samples of the wander over the duration)",
        ),
        course=_course(
            hop_seconds * np.arange(len(deviation), dtype=np.float64) + 0.5 * _FRAME_SECONDS,
            deviation + delay_us,
            conditions,
        ),
    )


def _doubts(deviation: FloatArray, hop_seconds: float) -> tuple[float, float]:
    """Standard uncertainty of the mean of a wander, and relative one of what it exceeds 5 % of the time."""
    # Slow wander has few and large humps, which look like lines: all of it counts as random.
    split = decompose(deviation, 1.0 / hop_seconds, highest_hz=0.5 / _FRAME_SECONDS, lines=False)
    seconds = split.duration_seconds
    # The mean over T of noise has the variance P(0) / (2 T); P(0) is as uncertain as its few degrees of freedom.
    mean = math.sqrt(split.slow_density() / (2.0 * seconds)) * widened(_SLOW_DEGREES)
    return mean, _QUANTILE_OF_RMS * split.scatter(np.ones_like, (), seconds)


def _pointers(channels: FloatArray, rate: float, frequency_hz: float) -> tuple[npt.NDArray[np.complex128], float]:
    """Amplitude and phase of the tone in each channel, frame by frame, and the seconds between frames."""
    from scipy.signal.windows import hann

    size = round(_FRAME_SECONDS * rate)
    hop = max(size // 10, 1)
    window: Any = hann(size, sym=False)
    frames = max((channels.shape[1] - size) // hop + 1, 0)
    clock = np.arange(size) / rate
    # The same clock in all frames: only differences of phase between channels count.
    kernel = window * np.exp(-2j * np.pi * frequency_hz * clock) * (2.0 / np.sum(window))
    found = np.empty((2, frames), dtype=np.complex128)
    for frame in range(frames):
        found[:, frame] = channels[:, frame * hop : frame * hop + size] @ kernel
    return found, hop / rate


def _undefined(reason: str, conditions: dict[str, Condition]) -> Azimuth:
    def reading(quantity: str) -> Reading:
        return undefined(quantity, "µs", reason, conditions, method=_METHOD)

    return Azimuth(
        delay=reading(_DELAY),
        wander=reading(_WANDER),
        course=_course(np.empty(0), np.empty(0), conditions, reason),
    )


def _course(time: FloatArray, delay_us: FloatArray, conditions: dict[str, Condition], *warnings: str) -> Curve:
    return Curve(
        quantity=_DELAY,
        x=time,
        y=delay_us,
        x_name="time",
        x_unit="s",
        y_unit="µs",
        method=_METHOD,
        conditions=conditions,
        warnings=warnings,
    )
