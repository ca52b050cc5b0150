"""Test signals of several tones one after the other, as they are sent, and where they lie in a recording.

A recording begins anywhere, is as loud as it is, and a tape may run wrong. So tones are looked for by the share of
the power that lies near their frequency, and the sequence is moved and stretched until they fit.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from measure.parts.signals import steady_tone, tone
from measure.parts.spectrum import find_tone
from measure.validation import FloatArray, check_rate

__all__ = [
    "CROSSTALK_TONES",
    "LEVEL_STEPS",
    "NOISE_SILENCE_SECONDS",
    "NOISE_TONES",
    "STEPS_DBFS",
    "STEP_SECONDS",
    "Placed",
    "SentTone",
    "place_sequence",
    "sequence_seconds",
    "sequence_signal",
    "steps_signal",
]

_GAP_SECONDS = 0.4
_FRAME_SECONDS, _HOP_SECONDS = 0.08, 0.01
_BAND_SHARE, _BAND_HZ = 0.05, 15.0
_MOST_OFF = 0.03  # how far a tape may run wrong
_LEAST_SHARE = 0.5
_LEAST_INSIDE = 0.5  # of a tone's length, for it to count
_PITCHED_HZ = 300.0


@dataclass(frozen=True)
class SentTone:
    """A tone of a sequence.

    Attributes
    ----------
    frequency_hz : float
        Of the tone.
    begins_seconds, lasts_seconds : float
        From the beginning of the sequence.
    """

    frequency_hz: float
    begins_seconds: float
    lasts_seconds: float


@dataclass(frozen=True)
class Placed:
    """Where a sequence lies in a recording.

    Attributes
    ----------
    begins_seconds : float
        Place of its beginning; negative where the recording began later.
    speed_ratio : float
        Of the tape that was read re that which was written.
    """

    begins_seconds: float
    speed_ratio: float

    def window(self, since_seconds: float, until_seconds: float, sample_rate: float) -> tuple[int, int]:
        """Samples of the recording between two times of the sequence; may reach beyond its ends."""
        return (
            round((self.begins_seconds + since_seconds / self.speed_ratio) * sample_rate),
            round((self.begins_seconds + until_seconds / self.speed_ratio) * sample_rate),
        )

    def part(self, recording: FloatArray, since_seconds: float, until_seconds: float, rate: float) -> FloatArray:
        """What was recorded between two times of the sequence; empty where not all of it was."""
        first, stop = self.window(since_seconds, until_seconds, rate)
        return recording[first:stop] if first >= 0 and stop <= len(recording) else recording[:0]


def _row(frequencies_hz: Sequence[float], lasts_seconds: float) -> tuple[SentTone, ...]:
    step = lasts_seconds + _GAP_SECONDS
    return tuple(SentTone(hz, _GAP_SECONDS + k * step, lasts_seconds) for k, hz in enumerate(frequencies_hz))


STEPS_DBFS = tuple(range(-36, 1, 2))
"""Levels of the peaks that every tone goes through, in dBFS."""

STEP_SECONDS = 0.36
"""How long each level lasts."""

LEVEL_STEPS = _row((315.0, 1000.0, 6300.0, 10_000.0), STEP_SECONDS * len(STEPS_DBFS))
"""Tones at rising levels, for MOL, SOL and compression."""

CROSSTALK_TONES = _row((31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0), 1.4)
"""Octaves, for crosstalk."""

NOISE_TONES = (SentTone(1000.0, _GAP_SECONDS, 3.0), SentTone(3150.0, _GAP_SECONDS + 3.4, 8.0))
"""Reference level, and the tone that noise roughens; silence follows."""

NOISE_SILENCE_SECONDS = 12.0
"""How much silence follows them."""


def sequence_seconds(tones: Sequence[SentTone], silence_seconds: float = _GAP_SECONDS) -> float:
    """How long a sequence lasts, with the silence behind it."""
    return tones[-1].begins_seconds + tones[-1].lasts_seconds + silence_seconds


def sequence_signal(
    tones: Sequence[SentTone], sample_rate: float, *, level_dbfs: float, silence_seconds: float = _GAP_SECONDS
) -> FloatArray:
    """The sequence as it is sent: each tone fades in and out within 10 ms.

    Parameters
    ----------
    tones : sequence of SentTone
        In their order.
    sample_rate : float
        Samples per second.
    level_dbfs : float
        Peak of each tone.
    silence_seconds : float
        Behind the last one.

    Returns
    -------
    ndarray, shape (samples,)
    """
    rate = check_rate(sample_rate)
    signal = np.zeros(round(sequence_seconds(tones, silence_seconds) * rate))
    for each in tones:
        part = steady_tone(rate, frequency_hz=each.frequency_hz, seconds=each.lasts_seconds, level_dbfs=level_dbfs)
        fade = round(0.01 * rate)
        part[-fade:] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 1.0) / fade)
        first = round(each.begins_seconds * rate)
        signal[first : first + len(part)] = part
    return signal


def steps_signal(sample_rate: float) -> FloatArray:
    """The tones of :data:`LEVEL_STEPS` at the levels of :data:`STEPS_DBFS`, whose peak is full scale.

    Returns
    -------
    ndarray, shape (samples,)
    """
    rate = check_rate(sample_rate)
    signal = np.zeros(round(sequence_seconds(LEVEL_STEPS) * rate))
    fade = round(0.01 * rate)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    for each in LEVEL_STEPS:
        first, size = round(each.begins_seconds * rate), round(each.lasts_seconds * rate)
        gains = np.empty(size)
        before = 0.0
        for number, level in enumerate((*STEPS_DBFS, None)):
            gain = 0.0 if level is None else 10.0 ** (level / 20.0)
            at = size - fade if level is None else round(number * STEP_SECONDS * rate)
            gains[at:] = gain
            gains[at : at + fade] = before + (gain - before) * ramp
            before = gain
        wave = tone(each.frequency_hz, duration_seconds=size / rate, sample_rate=rate, level_dbfs=0.0)
        signal[first : first + size] = gains * wave
    return signal


def place_sequence(recording: FloatArray, sample_rate: float, tones: Sequence[SentTone]) -> Placed | None:
    """Find a sequence in a recording.

    Parameters
    ----------
    recording : ndarray, shape (samples,)
        Finite.
    sample_rate : float
        Samples per second.
    tones : sequence of SentTone
        What was sent. Those above 0.45 of the rate are not looked for.

    Returns
    -------
    Placed or None
        None where fewer than two tones lie in the recording with half of their length or more, or one of those
        does not hold half of the power while it should sound. The place is exact to a few hundredths of a second.
    """
    wanted = [each for each in tones if each.frequency_hz * (1.0 + _MOST_OFF) < 0.45 * sample_rate]
    rate = sample_rate
    hop = round(_HOP_SECONDS * rate)
    shares = _shares(recording, rate, wanted, hop)
    if shares.shape[1] < 2 or len(wanted) < 2:
        return None
    step = hop / rate
    best = (0.0, 0.0, 1.0)
    for speed in np.linspace(1.0 - _MOST_OFF, 1.0 + _MOST_OFF, 25):
        best = max(best, _best_place(shares, wanted, float(speed), step))
    held = [_held(shares[k], each, best[1], best[2], step) for k, each in enumerate(wanted)]
    inside = [share for share in held if math.isfinite(share)]
    if len(inside) < 2 or min(inside) < _LEAST_SHARE:
        return None
    # Pitch tells the speed far better than duration does; at that speed the ends tell the place.
    rough = Placed(best[1] * step + 0.5 * _FRAME_SECONDS, best[2])
    ratios = [_pitch(recording, rate, rough, each) for each in wanted if each.frequency_hz >= _PITCHED_HZ]
    known = [ratio for ratio in ratios if abs(ratio - 1.0) < 2.0 * _MOST_OFF]
    speed = float(np.median(known)) if known else best[2]
    _, place, _ = _best_place(shares, wanted, speed, step)
    return Placed(float(place * step + 0.5 * _FRAME_SECONDS), speed)


def _pitch(y: FloatArray, rate: float, placed: Placed, tone_: SentTone) -> float:
    """Frequency of the middle half of a tone re that which was sent; nan where the recording does not hold it."""
    quarter = 0.25 * tone_.lasts_seconds
    part = placed.part(y, tone_.begins_seconds + quarter, tone_.begins_seconds + 3.0 * quarter, rate)
    return find_tone(part, rate, near_hz=tone_.frequency_hz) / tone_.frequency_hz if len(part) else math.nan


def _shares(y: FloatArray, rate: float, tones: Sequence[SentTone], hop: int) -> FloatArray:
    """Share of the power of each frame that lies near each tone, shape (tones, frames)."""
    size = round(_FRAME_SECONDS * rate)
    count = max((len(y) - size) // hop + 1, 0)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(size) + 0.5) / size)
    frequency = np.fft.rfftfreq(size, 1.0 / rate)
    near = np.array(
        [np.abs(frequency - each.frequency_hz) <= max(_BAND_SHARE * each.frequency_hz, _BAND_HZ) for each in tones]
    ).astype(np.float64)
    shares = np.zeros((len(tones), count))
    scaled = y / max(float(np.max(np.abs(y), initial=0.0)), 1e-300)
    for first in range(0, count, 500):
        stop = min(first + 500, count)
        frames = np.lib.stride_tricks.sliding_window_view(scaled, size)[first * hop : (stop - 1) * hop + 1 : hop]
        power = np.abs(np.fft.rfft(frames * window, axis=1)) ** 2
        whole = np.sum(power, axis=1)
        # What is 80 dB below the loudest is silence, of whatever spectrum.
        heard = whole > 1e-8 * size**2
        shares[:, first:stop] = np.where(heard, near @ power.T / np.maximum(whole, 1e-300), 0.0)
    return shares


def _best_place(
    shares: FloatArray, tones: Sequence[SentTone], speed: float, step: float
) -> tuple[float, float, float]:
    """Where a sequence at a speed fits best, in frames: the sum of the shares, that place, the speed."""
    sums = np.concatenate([np.zeros((len(tones), 1)), np.cumsum(shares, axis=1)], axis=1)
    frames = shares.shape[1]
    longest = round(sequence_seconds(tones) / speed / step)
    places = np.arange(-longest, frames)
    total = np.zeros(len(places))
    for row, each in zip(sums, tones, strict=True):
        first = places + round(each.begins_seconds / speed / step)
        stop = places + round((each.begins_seconds + each.lasts_seconds) / speed / step)
        total += row[np.clip(stop, 0, frames)] - row[np.clip(first, 0, frames)]
    # Where several places fit alike (frames that hold both ends of a gap), their middle.
    top = np.flatnonzero(total >= np.max(total) - 1e-9)
    return float(np.max(total)), float(places[top[len(top) // 2]]), speed


def _held(shares: FloatArray, tone_: SentTone, place: float, speed: float, step: float) -> float:
    """Mean share of a tone while it should sound; nan where less than half of it lies in the recording."""
    first = place + tone_.begins_seconds / speed / step
    stop = place + (tone_.begins_seconds + tone_.lasts_seconds) / speed / step
    inside = shares[max(math.ceil(first), 0) : max(math.floor(stop), 0)]
    return float(np.mean(inside)) if len(inside) >= _LEAST_INSIDE * (stop - first) else math.nan
