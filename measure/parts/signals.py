"""Test tones with exactly known phase, and tones with exactly known modulation."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from measure.errors import MeasureError
from measure.validation import FloatArray, check_rate

__all__ = ["TEST_TONES_HZ", "Modulation", "modulated_tone", "tone"]

TEST_TONES_HZ: Mapping[str, float] = MappingProxyType(
    {
        "flutter": 3150.0,  # IEC 60386, AES6
        "flutter, older practice": 3000.0,  # NAB and JIS; the attribution is from memory
        "scrape flutter": 12_500.0,  # sidebands to 5 kHz fit on either side
        "distortion and noise": 997.0,  # AES17
    }
)
"""Frequencies of the usual tones by what they are for."""


@dataclass(frozen=True, kw_only=True)
class Modulation:
    """One sinusoidal modulation: ``peak_percent * sin(2 pi rate_hz t + phase_radians)``.

    Attributes
    ----------
    rate_hz : float
        Frequency of the modulation, above zero.
    peak_percent : float
        Peak deviation from the mean, in hundredths of the mean.
    phase_radians : float
        Phase at the first sample.
    """

    rate_hz: float
    peak_percent: float
    phase_radians: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.rate_hz) and self.rate_hz > 0.0):
            raise MeasureError(f"rate_hz is {self.rate_hz!r}, but must be finite and above zero")


def tone(
    frequency_hz: float,
    *,
    duration_seconds: float,
    sample_rate: float,
    level_dbfs: float = -6.0,
    phase_radians: float = 0.0,
) -> FloatArray:
    """Sine ``a sin(2 pi f n / rate + phase)``.

    Parameters
    ----------
    frequency_hz : float
        Above zero, below half the sample rate.
    duration_seconds : float
        Rounded to whole samples.
    sample_rate : float
        Samples per second.
    level_dbfs : float
        Level of the peak re full scale (AES17: a full-scale sine is 0 dBFS).
    phase_radians : float
        Phase of the first sample.

    Returns
    -------
    ndarray, shape (samples,)

    Raises
    ------
    MeasureError
        If an argument is outside its range.

    Notes
    -----
    Whole periods are taken off before the sine is evaluated, so the phase of sample n is as exact at the
    end of an hour as at its beginning (to 1e-9 radian for frequencies and rates that are whole numbers).
    """
    return modulated_tone(
        frequency_hz,
        duration_seconds=duration_seconds,
        sample_rate=sample_rate,
        level_dbfs=level_dbfs,
        phase_radians=phase_radians,
    )


def modulated_tone(
    frequency_hz: float,
    *,
    duration_seconds: float,
    sample_rate: float,
    speed: Sequence[Modulation] = (),
    amplitude: Sequence[Modulation] = (),
    level_dbfs: float = -6.0,
    phase_radians: float = 0.0,
) -> FloatArray:
    """Sine whose frequency and amplitude deviate sinusoidally; the truth for flutter and amplitude meters.

    The instantaneous frequency is ``f (1 + sum of speed)`` and the envelope is ``a (1 + sum of amplitude)``,
    exactly: the phase is the closed-form integral, no sample is interpolated.

    Parameters
    ----------
    frequency_hz, duration_seconds, sample_rate, level_dbfs, phase_radians
        As for :func:`tone`.
    speed, amplitude : sequence of Modulation
        Deviations, added together.

    Returns
    -------
    ndarray, shape (samples,)

    Raises
    ------
    MeasureError
        If an argument is outside its range.
    """
    rate = check_rate(sample_rate)
    if not 0.0 < frequency_hz < 0.5 * rate:
        raise MeasureError(
            f"frequency_hz is {frequency_hz!r}, but must lie above 0 and below half the sample rate, "
            f"{0.5 * rate:g} Hz"
        )
    if not (math.isfinite(duration_seconds) and duration_seconds >= 0.0):
        raise MeasureError(f"duration_seconds is {duration_seconds!r}, but must be finite and not negative")
    index = np.arange(round(duration_seconds * rate), dtype=np.float64)
    phase = 2.0 * np.pi / rate * np.remainder(frequency_hz * index, rate) + phase_radians
    for each in speed:
        turn = 2.0 * np.pi / rate * np.remainder(each.rate_hz * index, rate) + each.phase_radians
        index_of_modulation = 0.01 * each.peak_percent * frequency_hz / each.rate_hz
        phase -= index_of_modulation * (np.cos(turn) - math.cos(each.phase_radians))
    envelope = np.full(index.size, 10.0 ** (level_dbfs / 20.0))
    if amplitude:
        depth = np.ones(index.size)
        for each in amplitude:
            turn = 2.0 * np.pi / rate * np.remainder(each.rate_hz * index, rate) + each.phase_radians
            depth += 0.01 * each.peak_percent * np.sin(turn)
        envelope *= depth
    return np.asarray(envelope * np.sin(phase), dtype=np.float64)
