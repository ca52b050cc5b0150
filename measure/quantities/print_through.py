"""Print-through: echoes of a sound a turn of the reel before and after it."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from measure.errors import MeasureError
from measure.parts.run import drive
from measure.parts.signals import BURST_SECONDS, burst_pulse
from measure.results import Condition, Curve, Reading, Result
from measure.validation import FloatArray, as_system, check_frequency, check_rate, check_signal

__all__ = ["PrintThrough", "print_through", "print_through_of_recording"]

_METHOD = "a tone burst under a Hann window, and what correlates with it before and after"
_LOWEST_HZ, _HIGHEST_SHARE = 100.0, 0.4  # of the tone, and of the rate
_CREST_SHARE = 1e-4  # what the crest of a parabola may miss, as a share of it
_CREST_SAMPLES = 0.002  # and how far beside it its place may be; three points of a crest of thousands are one
# The median of the size of complex noise re the deviation of one of its parts. And how far noise moves the crest
# of the correlation of a Hann window, re its length, by what part of the crest it is: one over the root of the
# crest's bend.
_MEDIAN_OF_SIZE = math.sqrt(2.0 * math.log(2.0))
_CREST_WIDTH = math.sqrt(3.0) / (2.0 * math.pi)
_ABOVE_NOISE = 4.0  # of the median of the correlation, from which on a peak is an echo


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PrintThrough(Result):
    """Echoes of a burst.

    Attributes
    ----------
    pre, post : Reading
        Level of the strongest echo before and behind the sound re it, in dB.
    pre_seconds, post_seconds : Reading
        How far from it they are.
    course : Curve
        Level in dB re the sound against time from it.
    """

    pre: Reading
    post: Reading
    pre_seconds: Reading
    post_seconds: Reading
    course: Curve


def print_through(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    frequency_hz: float = 1000.0,
    level_dbfs: float = -18.0,
    longest_seconds: float = 3.0,
) -> PrintThrough:
    """Measure the echoes of a short tone.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``, one channel, latency taken out.
    sample_rate : float
        Samples per second.
    frequency_hz : float
        Of the tone.
    level_dbfs : float
        Its peak.
    longest_seconds : float
        How far from the tone echoes are looked for.

    Returns
    -------
    PrintThrough
        ``nan`` with the reason on a side where nothing stands out. Echoes nearer than 0.1 s, the length of the
        burst, cannot be told from it.

    Raises
    ------
    MeasureError
        If an argument breaks a rule, or the system returns another number of channels or samples.

    Notes
    -----
    The level of an echo is its correlation with the burst over that of the sound itself, so noise counts little,
    and a tape that moves by less than a period does not count. Own protocol, no source.
    """
    rate = check_rate(sample_rate)
    check_frequency(frequency_hz, rate, lowest_hz=_LOWEST_HZ, highest_share=_HIGHEST_SHARE)
    if not 2.0 * BURST_SECONDS <= longest_seconds <= 30.0:
        raise MeasureError(f"longest_seconds is {longest_seconds!r}, but must lie between 0.2 and 30 s")
    pulse = burst_pulse(rate, frequency_hz)
    beside = round(longest_seconds * rate) + pulse.size
    signal = np.zeros(2 * beside + pulse.size)
    signal[beside : beside + pulse.size] = 10.0 ** (level_dbfs / 20.0) * pulse.real
    heard = drive(as_system(system), signal, rate)
    conditions: dict[str, Condition] = {
        "frequency_hz": float(frequency_hz),
        "level_dbfs": float(level_dbfs),
        "burst_seconds": BURST_SECONDS,
        "longest_seconds": float(longest_seconds),
        "sample_rate_hz": rate,
    }
    return _read(heard, pulse, beside, rate, conditions)


def print_through_of_recording(
    recording: "npt.ArrayLike", sample_rate: float, *, frequency_hz: float = 1000.0
) -> PrintThrough:
    """Read print-through from a recorded :func:`measure.parts.signals.print_through_burst`.

    Parameters
    ----------
    recording : array_like, shape (samples,)
        The tone, which is by far the loudest in it, and the silences beside it as far as echoes are looked for.
    sample_rate : float
        Samples per second.
    frequency_hz : float
        Of the tone as it was sent. A tape that runs wrong by a few per cent weakens sound and echo alike.

    Returns
    -------
    PrintThrough
        ``nan`` with the reason on a side where nothing stands out, or that is shorter than 0.2 s.

    Raises
    ------
    MeasureError
        If an argument breaks a rule.
    """
    rate, heard = check_rate(sample_rate), check_signal(recording)
    check_frequency(frequency_hz, rate, lowest_hz=_LOWEST_HZ, highest_share=_HIGHEST_SHARE)
    pulse = burst_pulse(rate, frequency_hz)
    conditions: dict[str, Condition] = {
        "frequency_hz": float(frequency_hz),
        "burst_seconds": BURST_SECONDS,
        "sample_rate_hz": rate,
    }
    place = 0
    if len(heard) > pulse.size and np.all(np.isfinite(heard)):
        place = int(np.argmax(_correlation(heard, pulse)))
        conditions["seconds_before"] = round(place / rate, 6)
        conditions["seconds_after"] = round((len(heard) - place - pulse.size) / rate, 6)
    return _read(heard, pulse, place, rate, conditions)


def _read(
    heard: FloatArray,
    pulse: npt.NDArray[np.complex128],
    beside: int,
    rate: float,
    conditions: dict[str, Condition],
) -> PrintThrough:
    """The echoes of a burst that begins at a sample."""
    reason = "non-finite samples came back"
    level, sound = np.empty(0), math.nan
    if len(heard) <= pulse.size:
        reason = f"the recording has {len(heard)} samples, fewer than the burst"
    elif np.all(np.isfinite(heard)):
        level = _correlation(heard, pulse)
        sound = float(level[beside])
        reason = "the burst does not come back" if sound < 1e-9 else ""
    level = np.empty(0) if reason else level / sound
    sides = [_side(level, beside, pulse.size, sign, rate, conditions, reason) for sign in (-1, 1)]
    time = (np.arange(level.size) - beside) / rate
    with np.errstate(divide="ignore"):
        course = 20.0 * np.log10(level)
    thin = max(1, round(0.002 * rate))
    return PrintThrough(
        pre=sides[0][0],
        post=sides[1][0],
        pre_seconds=sides[0][1],
        post_seconds=sides[1][1],
        course=Curve(
            quantity="what correlates with the sound",
            x=time[::thin],
            y=course[::thin],
            x_name="time from the sound",
            x_unit="s",
            y_unit="dB",
            method=_METHOD,
            conditions=conditions,
            warnings=(reason,) if reason else (),
        ),
    )


def _correlation(heard: FloatArray, pulse: npt.NDArray[np.complex128]) -> FloatArray:
    """Size of the correlation with the pulse, by where the pulse begins."""
    from scipy.signal import fftconvolve

    return np.asarray(np.abs(fftconvolve(heard, np.conj(pulse[::-1]), mode="valid")), dtype=np.float64)


def _side(
    level: FloatArray,
    beside: int,
    size: int,
    sign: int,
    rate: float,
    conditions: dict[str, Condition],
    reason: str,
) -> tuple[Reading, Reading]:
    """Strongest echo on one side: its level and its distance."""
    name = "before" if sign < 0 else "after"
    value = distance = doubt = blur = math.nan
    if not reason:
        part = level[:beside][::-1] if sign < 0 else level[beside + 1 :]
        part = part[size:]
        place = int(np.argmax(part)) if part.size else 0
        floor = float(np.median(part)) if part.size else 0.0
        if part.size < size:
            reason = f"less than 0.2 s of the recording lie {name} the sound"
        elif part[place] <= max(_ABOVE_NOISE * floor, 1e-9) or place in (0, len(part) - 1):
            reason = f"no echo stands out {name} the sound"
        else:
            # The crest of a parabola through the highest three.
            left, top, right = (float(part[place + k]) for k in (-1, 0, 1))
            bend = left - 2.0 * top + right
            shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
            value = 20.0 * math.log10(top)
            distance = (place + size + 1 + shift) / rate
            share = floor / _MEDIAN_OF_SIZE / top
            doubt = 8.686 * math.hypot(share, _CREST_SHARE)
            blur = math.hypot(_CREST_SAMPLES / rate, _CREST_WIDTH * BURST_SECONDS * share)

    def reading(quantity: str, figure: float, unit: str, uncertainty: float) -> Reading:
        return Reading(
            quantity=quantity,
            value=figure,
            unit=unit,
            method=_METHOD,
            conditions=conditions,
            uncertainty=uncertainty,
            uncertainty_basis="theory (what else correlates, interpolation)"
            if math.isfinite(uncertainty)
            else "no figure",
            warnings=(reason,) if reason else (),
        )

    return (
        reading(f"print-through {name} the sound", value, "dB", doubt),
        reading(f"distance of the echo {name} the sound", distance, "s", blur),
    )
