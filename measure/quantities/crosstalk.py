"""Crosstalk: what one channel of a system hears of another, by frequency."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from measure.errors import MeasureError
from measure.parts.signals import steady_tone
from measure.results import Condition, Curve, Reading, Result
from measure.validation import FloatArray, as_system, check_rate

__all__ = ["CROSSTALK_HZ", "Crosstalk", "crosstalk"]

CROSSTALK_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0)
"""Octaves (IEC 61260-1) at which crosstalk is read."""

_SECONDS = 1.0
_LEAST_PERIODS = 20
_METHOD = "a tone on one channel, found in the other by least squares"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Crosstalk(Result):
    """What one channel hears of another.

    Attributes
    ----------
    levels : tuple of Reading
        Level in the silent channel re that in the driven one, in dB, one a frequency.
    curve : Curve
        The same against frequency.
    """

    levels: tuple[Reading, ...]
    curve: Curve


def crosstalk(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    frequencies_hz: Sequence[float] = CROSSTALK_HZ,
    level_dbfs: float = -18.0,
    settle_seconds: float = 0.5,
    driven: int = 0,
    silent: int = 1,
    channels: int = 2,
) -> Crosstalk:
    """Measure crosstalk from one channel to another.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio`` of `channels` channels, latency taken out.
    sample_rate : float
        Samples per second.
    frequencies_hz : sequence of float
        Tones, one after the other; those above 0.45 of the rate are left out.
    level_dbfs : float
        Peak of each tone.
    settle_seconds : float
        What is not read at both ends of a tone.
    driven, silent : int
        The channels.
    channels : int
        How many the system has.

    Returns
    -------
    Crosstalk
        ``nan`` with the reason where nothing is heard above what else there is, or nothing comes out at all. Both
        channels of what comes out are compared, so that the response of the system does not count.

    Raises
    ------
    MeasureError
        If the channels are not two of those there are, a frequency is no frequency, or the system returns another
        number of channels or samples.
    """
    rate = check_rate(sample_rate)
    if not (0 <= driven < channels and 0 <= silent < channels and driven != silent):
        raise MeasureError(
            f"driven is {driven} and silent {silent}, but must differ and lie from 0 to {channels - 1}"
        )
    wanted = [float(hz) for hz in frequencies_hz if float(hz) <= 0.45 * rate]
    if not wanted or min(wanted) <= 0.0:
        raise MeasureError(
            f"frequencies_hz is {tuple(frequencies_hz)}, but needs one or more from above 0 to {0.45 * rate:g} Hz"
        )
    run = as_system(system)
    readings = []
    for hz in wanted:
        seconds = max(_SECONDS, _LEAST_PERIODS / hz)
        tone = steady_tone(rate, frequency_hz=hz, seconds=seconds + 2.0 * settle_seconds, level_dbfs=level_dbfs)
        sent = np.zeros((channels, len(tone)))
        sent[driven] = tone
        came: Any = np.asarray(run(sent, rate), dtype=np.float64)
        if came.shape[:1] != (channels,) or came.ndim != 2 or came.shape[1] < len(tone):
            raise MeasureError(
                f"the system returned shape {came.shape} for {channels} channels of {len(tone)} samples; it must "
                "keep the channels and not shorten audio"
            )
        edge = round(settle_seconds * rate)
        part = came[:, edge : len(tone) - edge]
        readings.append(_reading(part[driven], part[silent], hz, rate, level_dbfs))
    return Crosstalk(
        levels=tuple(readings),
        curve=Curve(
            quantity="crosstalk",
            x=np.array(wanted),
            y=np.array([reading.value for reading in readings]),
            x_name="frequency",
            x_unit="Hz",
            y_unit="dB",
            method=_METHOD,
            conditions={"level_dbfs": float(level_dbfs), "sample_rate_hz": rate},
            warnings=tuple(warning for reading in readings for warning in reading.warnings),
        ),
    )


def _reading(driven: FloatArray, silent: FloatArray, hz: float, rate: float, level_dbfs: float) -> Reading:
    conditions: dict[str, Condition] = {
        "frequency_hz": hz,
        "level_dbfs": float(level_dbfs),
        "seconds": round(len(driven) / rate, 6),
        "sample_rate_hz": rate,
    }
    value = doubt = math.nan
    reason = "non-finite samples came back"
    if np.all(np.isfinite(driven)) and np.all(np.isfinite(silent)):
        loud, _ = _amplitude(driven, hz, rate)
        faint, noise = _amplitude(silent, hz, rate)
        if loud < 1e-9:
            reason = "the tone does not come back on the channel that it was sent on"
        elif faint <= max(3.0 * noise, 1e-12 * loud):
            reason = f"nothing is heard at {hz:g} Hz above what else there is"
        else:
            value, doubt, reason = 20.0 * math.log10(faint / loud), 8.686 * noise / faint, ""
    return Reading(
        quantity=f"crosstalk at {hz:g} Hz",
        value=value,
        unit="dB",
        method=_METHOD,
        conditions=conditions,
        uncertainty=doubt,
        uncertainty_basis="theory (what else there is in that channel)" if math.isfinite(doubt) else "no figure",
        warnings=(reason,) if reason else (),
    )


def _amplitude(signal: FloatArray, hz: float, rate: float) -> tuple[float, float]:
    """Amplitude of a tone by least squares, and its standard deviation if the rest were white noise."""
    angle = 2.0 * np.pi * hz / rate * np.arange(len(signal))
    base = np.stack([np.cos(angle), np.sin(angle), np.ones_like(angle)], axis=1)
    found, *_ = np.linalg.lstsq(base, signal, rcond=None)
    rest = signal - base @ found
    return math.hypot(found[0], found[1]), math.sqrt(2.0 * float(np.mean(rest**2)) / len(signal))
