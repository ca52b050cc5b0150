"""Crosstalk: what one channel of a system hears of another, by frequency."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from measure.errors import MeasureError
from measure.parts.signals import steady_tone
from measure.results import Condition, Curve, Reading, Result
from measure.validation import FloatArray, as_system, check_rate, check_signal

__all__ = ["CROSSTALK_HZ", "Crosstalk", "crosstalk", "crosstalk_of_tracks"]

CROSSTALK_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0)
"""Octaves (IEC 61260-1) at which crosstalk is read."""

_SECONDS = 1.0
_LEAST_PERIODS = 20
_BAND_BINS, _BAND_SHARE = 6.0, 0.03  # on either side of the tone
_METHOD = "a tone on one channel, found in the other by regression of spectra"


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
        readings.append(_reading(part[driven], part[silent], hz, rate, {"level_dbfs": float(level_dbfs)}))
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


def crosstalk_of_tracks(
    driven: "npt.ArrayLike", silent: "npt.ArrayLike", sample_rate: float, *, frequency_hz: float
) -> Reading:
    """Read crosstalk from a recording of one tone, sent to one of two tracks.

    Parameters
    ----------
    driven, silent : array_like, shape (samples,)
        Recordings of the track that the tone was sent to, and of the other, made at once.
    sample_rate : float
        Samples per second.
    frequency_hz : float
        Of the tone as it was recorded.

    Returns
    -------
    Reading
        Level in the silent track re that in the driven one in dB; ``nan`` with the reason where nothing is heard.

    Raises
    ------
    MeasureError
        If an argument has the wrong type or shape, or the two are not equally long.
    """
    rate, loud, faint = check_rate(sample_rate), check_signal(driven), check_signal(silent)
    if len(loud) != len(faint):
        raise MeasureError(f"the tracks have {len(loud)} and {len(faint)} samples, but must have the same number")
    if not 0.0 < frequency_hz <= 0.45 * rate:
        raise MeasureError(
            f"frequency_hz is {frequency_hz!r}, but must lie above 0 and below 0.45 of the rate, {0.45 * rate:g}"
        )
    return _reading(loud, faint, float(frequency_hz), rate, {})


def _reading(
    driven: FloatArray, silent: FloatArray, hz: float, rate: float, conditions: dict[str, Condition]
) -> Reading:
    conditions = {
        "frequency_hz": hz,
        **conditions,
        "seconds": round(len(driven) / rate, 6),
        "sample_rate_hz": rate,
    }
    value = doubt = math.nan
    reason = "non-finite samples came back"
    if np.all(np.isfinite(driven)) and np.all(np.isfinite(silent)):
        heard, ratio, noise = _ratio(driven, silent, hz, rate)
        if heard < 1e-9:
            reason = "the tone does not come back on the channel that it was sent on"
        elif ratio <= max(3.0 * noise, 1e-12):
            reason = f"nothing is heard at {hz:g} Hz above what else there is"
        else:
            value, doubt, reason = 20.0 * math.log10(ratio), 8.686 * noise / ratio, ""
    return Reading(
        quantity=f"crosstalk at {hz:.6g} Hz",
        value=value,
        unit="dB",
        method=_METHOD,
        conditions=conditions,
        uncertainty=doubt,
        uncertainty_basis="theory (what else there is in that channel)" if math.isfinite(doubt) else "no figure",
        warnings=(reason,) if reason else (),
    )


def _ratio(driven: FloatArray, silent: FloatArray, hz: float, rate: float) -> tuple[float, float, float]:
    """Amplitude of the tone where it was sent, the share of it in the other channel, and the noise of that share.

    By regression of one spectrum on the other round the tone, so both channels share the flutter.
    """
    size = len(driven)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(size) + 0.5) / size)
    frequency = np.fft.rfftfreq(size, 1.0 / rate)
    near = np.abs(frequency - hz) <= max(_BAND_BINS * rate / size, _BAND_SHARE * hz)
    sent, heard = np.fft.rfft(driven * window)[near], np.fft.rfft(silent * window)[near]
    power = float(np.sum(np.abs(sent) ** 2))
    amplitude = 2.0 * math.sqrt(power / (size * float(np.sum(window**2))))
    if not power > 0.0:
        return 0.0, 0.0, 0.0
    share = complex(np.sum(heard * np.conj(sent))) / power
    rest = float(np.sum(np.abs(heard - share * sent) ** 2)) / max(len(sent) - 1, 1)
    # A Hann window ties neighbouring bins together: their sum scatters 1.94 times as much in power.
    return amplitude, abs(share), math.sqrt(1.94 * rest / power)
