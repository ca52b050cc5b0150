"""Detectors: from a fluctuating quantity to one figure.

All take a series sampled densely compared with its highest frequency (ten samples a period or more) and
return plain numbers; conditions, such as a sufficient duration, are for the caller to check.
"""

import math
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np

from measure.validation import FloatArray

__all__ = [
    "TWO_SIGMA_FRACTION",
    "itu468_quasi_peak",
    "mean_absolute",
    "peak",
    "quasi_peak",
    "root_mean_square",
    "two_sigma",
]

TWO_SIGMA_FRACTION = 0.05
"""Part of the time for which the two-sigma figure is exceeded (the 5 % is from memory; AES6-2008's summary
describes the threshold and the accumulated time)."""

# Quasi-peak of wow and flutter: the standard gives a dynamic response, not time constants. These were fitted
# to its five points with the weighting network in front as a minimum-phase network of the tabled magnitude.
# (The same detector fitted behind our four-pole model of the network has 28.1, 544 and 157 ms; behind the
# table's own network those read the 30 ms pulse at 55.9 %, just under its lower limit of 56 %.)
_CHARGE_SECONDS = 0.025
_LEAK_SECONDS = 0.550
_METER_SECONDS = 0.150

# Quasi-peak of ITU-R BS.468-4: likewise a fit, published with the transcription of the recommendation's
# eleven burst windows, all of which it meets: full-wave, charge, leak, meter.
_NOISE_CHARGE_SECONDS = 0.00141
_NOISE_LEAK_SECONDS = 0.293
_NOISE_METER_SECONDS = 0.140


def root_mean_square(series: FloatArray) -> float:
    """Square root of the mean square."""
    return float(np.sqrt(np.mean(np.square(series))))


def mean_absolute(series: FloatArray) -> float:
    """Mean of the rectified series (not scaled to the RMS of a sine)."""
    return float(np.mean(np.abs(series)))


def peak(series: FloatArray) -> float:
    """Largest absolute value, with a parabola through the largest sample and its neighbours."""
    magnitude = np.abs(series)
    top = int(np.argmax(magnitude))
    if not 0 < top < magnitude.size - 1:
        return float(magnitude[top])
    before, here, after = (float(value) for value in magnitude[top - 1 : top + 2])
    # The first of the largest: what is before it is smaller, so the parabola has a top.
    return here - (after - before) ** 2 / (8.0 * (before - 2.0 * here + after))


def two_sigma(series: FloatArray) -> float:
    """Threshold that the absolute value exceeds for 5 % of the time (AES6-2008, IEC 60386 amendment 1).

    Notes
    -----
    Not twice the standard deviation: a sine of peak p reads ``p cos(0.025 pi) = 0.9969 p``, Gaussian
    deviation 1.96 standard deviations.

    The time is accumulated at instants that shift by the golden ratio from one sample interval to the next
    (cubic interpolation through four samples). On the samples themselves a deviation whose period is a few
    samples, or a simple fraction of a number of samples, would be seen at the same few phases again and again.
    """
    if series.size < 8:
        return float(np.quantile(np.abs(series), 1.0 - TWO_SIGMA_FRACTION))
    count = series.size - 3
    u = np.remainder(np.arange(count) * (0.5 * (math.sqrt(5.0) - 1.0)), 1.0)
    a, b, c, d = series[:-3], series[1:-2], series[2:-1], series[3:]
    # Lagrange's cubic through samples -1, 0, 1, 2 at 0 <= u < 1.
    between = (
        -u * (u - 1.0) * (u - 2.0) / 6.0 * a
        + (u + 1.0) * (u - 1.0) * (u - 2.0) / 2.0 * b
        - (u + 1.0) * u * (u - 2.0) / 2.0 * c
        + (u + 1.0) * u * (u - 1.0) / 6.0 * d
    )
    return float(np.quantile(np.abs(between), 1.0 - TWO_SIGMA_FRACTION))


def quasi_peak(series: FloatArray, sample_rate: float) -> FloatArray:
    """Where the pointer of the quasi-peak wow and flutter meter stands, over time (IEC 60386, DIN 45507).

    Parameters
    ----------
    series : ndarray, shape (samples,)
        Deviation, weighted by :func:`measure.parts.weighting.flutter_network` if the response of the standard
        is wanted.
    sample_rate : float
        Samples per second of the series, 1 kHz or more.

    Returns
    -------
    ndarray, shape (samples,)
        Half the sum of two peak rectifiers, one for each sign, smoothed by the meter and scaled so that a
        steady 4 Hz sine reads its peak. The figure of a recording is the maximum.
    """
    return _flutter_pointer(series, float(sample_rate)) / _flutter_scale(float(sample_rate))


def itu468_quasi_peak(series: FloatArray, sample_rate: float) -> FloatArray:
    """Where the pointer of the noise meter of ITU-R BS.468-4 stands, over time.

    Parameters
    ----------
    series : ndarray, shape (samples,)
        Weighted noise.
    sample_rate : float
        Samples per second, 44.1 kHz or more.

    Returns
    -------
    ndarray, shape (samples,)
        Scaled so that a steady 1 kHz sine reads its RMS, as the recommendation demands.
    """
    return _noise_pointer(series, float(sample_rate)) / _noise_scale(float(sample_rate))


def _pointer(
    loop: Callable[..., None], seconds: tuple[float, float, float], series: FloatArray, rate: float
) -> FloatArray:
    """Where the pointer of a meter stands, by its loop and its times of charge, leak and pointer."""
    charge, leak, meter = seconds
    pointer = np.empty(series.size)
    _compiled(loop)(
        np.ascontiguousarray(series, dtype=np.float64),
        _step(charge, rate),
        1.0 - _step(leak, rate),
        _step(meter, rate),
        pointer,
    )
    return pointer


def _flutter_pointer(series: FloatArray, rate: float) -> FloatArray:
    return _pointer(_two_rectifiers, (_CHARGE_SECONDS, _LEAK_SECONDS, _METER_SECONDS), series, rate)


@cache
def _flutter_scale(rate: float) -> float:
    time = np.arange(round(6.0 * rate)) / rate
    return float(np.max(_flutter_pointer(np.sin(2.0 * np.pi * 4.0 * time), rate)))


def _noise_pointer(series: FloatArray, rate: float) -> FloatArray:
    return _pointer(_full_wave, (_NOISE_CHARGE_SECONDS, _NOISE_LEAK_SECONDS, _NOISE_METER_SECONDS), series, rate)


@cache
def _noise_scale(rate: float) -> float:
    time = np.arange(round(2.5 * rate)) / rate
    reading = float(np.max(_noise_pointer(np.sin(2.0 * np.pi * 1000.0 * time), rate)))
    return reading * math.sqrt(2.0)


def _step(time_constant_seconds: float, rate: float) -> float:
    return -math.expm1(-1.0 / (time_constant_seconds * rate))


@cache
def _compiled(loop: Callable[..., None]) -> Callable[..., Any]:
    """Compile a loop at its first use, cached on disk where that is possible."""
    import numba

    options: dict[str, Any] = {"nogil": True, "error_model": "numpy"}
    try:
        compiled = numba.njit(cache=True, **options)(loop)
    except RuntimeError:  # no directory that a cache could be written to
        compiled = numba.njit(**options)(loop)
    return compiled  # type: ignore[no-any-return]


def _two_rectifiers(series: FloatArray, charge: float, keep: float, meter: float, pointer: FloatArray) -> None:
    above = 0.0
    below = 0.0
    reading = 0.0
    for index in range(series.size):
        value = series[index]
        above *= keep
        below *= keep
        if value > above:
            above += charge * (value - above)
        if -value > below:
            below += charge * (-value - below)
        reading += meter * (0.5 * (above + below) - reading)
        pointer[index] = reading


def _full_wave(series: FloatArray, charge: float, keep: float, meter: float, pointer: FloatArray) -> None:
    held = 0.0
    reading = 0.0
    for index in range(series.size):
        value = abs(series[index])
        held *= keep
        if value > held:
            held += charge * (value - held)
        reading += meter * (held - reading)
        pointer[index] = reading
