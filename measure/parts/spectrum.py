"""Spectrum of a recording: power, the power of a band, and its strongest line."""

import math

import numpy as np

from measure.errors import MeasureError
from measure.validation import FloatArray, check_rate, check_signal

__all__ = ["band_power", "find_tone", "power_spectrum"]


def power_spectrum(signal: FloatArray, sample_rate: float) -> tuple[FloatArray, FloatArray]:
    """Return frequencies and one-sided power per bin under a Hann window.

    The powers of the bins around a line add up to half its squared amplitude; those of a noise add up to its
    mean square (the window's mean square is divided out).

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Real, finite.
    sample_rate : float
        Samples per second.

    Returns
    -------
    frequencies, power : ndarray, shape (samples // 2 + 1,)
        Centres of the bins in Hz, and mean squares in the signal's unit squared.
    """
    n = len(signal)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(n) + 0.5) / n)
    spectrum = np.fft.rfft(signal * window)
    power = (spectrum.real**2 + spectrum.imag**2) * (2.0 / (n * np.sum(window**2)))
    power[0] *= 0.5
    if n % 2 == 0:
        power[-1] *= 0.5
    return np.asarray(np.fft.rfftfreq(n, 1.0 / sample_rate), dtype=np.float64), power


def band_power(signal: FloatArray, sample_rate: float, *, low_hz: float, high_hz: float) -> float:
    """Return the mean square of the part of a signal between two frequencies.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Real, finite.
    sample_rate : float
        Samples per second.
    low_hz, high_hz : float
        Edges of the band, 0 <= low < high.
    """
    y = check_signal(signal)
    rate = check_rate(sample_rate)
    if not 0.0 <= low_hz < high_hz:
        raise MeasureError(f"the band is {low_hz!r} to {high_hz!r} Hz, but must rise from 0 Hz or more")
    if len(y) < 8:
        return math.nan
    frequencies, power = power_spectrum(y, rate)
    return float(np.sum(power[(frequencies >= low_hz) & (frequencies <= high_hz)]))


def find_tone(
    signal: FloatArray, sample_rate: float, *, near_hz: float | None = None, within: float = 0.05
) -> float:
    """Return the frequency of the strongest line, to a fraction of a bin; ``nan`` where there is none.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Real, finite.
    sample_rate : float
        Samples per second.
    near_hz : float, optional
        Look only near this frequency.
    within : float
        How near, as a share of it.
    """
    n = len(signal)
    if n < 16:
        return math.nan
    # Blackman-Harris (four terms): side lobes below -92 dB keep the skirt of a strong line off the others.
    turn = 2.0 * np.pi * np.arange(n) / n
    window = 0.35875 - 0.48829 * np.cos(turn) + 0.14128 * np.cos(2 * turn) - 0.01168 * np.cos(3 * turn)
    size = 1 << (n - 1).bit_length()
    magnitude = np.abs(np.fft.rfft((signal - signal.mean()) * window, size))
    bin_hz = sample_rate / size
    low, high = 1, len(magnitude) - 1
    if near_hz is not None:
        low = max(low, math.ceil((1.0 - within) * near_hz / bin_hz))
        high = min(high, int((1.0 + within) * near_hz / bin_hz) + 1)
    if high <= low:
        return math.nan
    peak = low + int(np.argmax(magnitude[low:high]))
    around = magnitude[peak - 1 : peak + 2]
    # At the edge of the range it may be the skirt of a line beyond.
    if len(around) < 3 or np.min(around) <= 0.0 or around[1] < np.max(around):
        return math.nan
    a, b, c = np.log(around)
    curvature = a - 2.0 * b + c
    shift = 0.0 if curvature >= 0.0 else float(np.clip(0.5 * (a - c) / curvature, -0.5, 0.5))
    return (peak + shift) * bin_hz
