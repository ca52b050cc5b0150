"""Frequency weightings: wow and flutter, A, and ITU-R BS.468."""

import math
from functools import cache

import numpy as np
import numpy.typing as npt

from measure.validation import FloatArray

__all__ = [
    "FLUTTER_WEIGHTING_DB",
    "a_weighting",
    "flutter_network",
    "flutter_weighting",
    "itu468_weighting",
    "minimum_phase",
    "raised_cosine",
]

ComplexArray = npt.NDArray[np.complex128]

# Weighting of IEC 60386, DIN 45507 and AES6. The points are from memory: no text of the table could be read;
# 0 dB at 4 Hz, about 6 dB per octave on either side and the extra fall below 0.5 Hz could.
FLUTTER_WEIGHTING_DB: tuple[tuple[float, float], ...] = (
    (0.1, -48.0),
    (0.2, -30.6),
    (0.315, -19.7),
    (0.4, -15.0),
    (0.63, -8.4),
    (0.8, -6.0),
    (1.0, -4.2),
    (1.6, -1.8),
    (2.0, -0.9),
    (4.0, 0.0),
    (6.3, -0.9),
    (10.0, -2.1),
    (20.0, -5.9),
    (40.0, -10.4),
    (63.0, -14.2),
    (100.0, -17.3),
    (200.0, -23.0),
)
"""Frequency in Hz and response in dB (from memory)."""

_BELOW_TABLE_DB_PER_OCTAVE = 18.0  # the slope of its lowest octave is 17.4 dB
_ABOVE_TABLE_DB_PER_OCTAVE = -6.0  # the slope of its highest octave is -5.7 dB


def flutter_weighting(frequency_hz: "npt.ArrayLike") -> FloatArray:
    """Gain of the wow and flutter weighting.

    Parameters
    ----------
    frequency_hz : array_like
        Rates of the deviation, not negative.

    Returns
    -------
    ndarray, same shape
        Amplitude ratio, 1 at 4 Hz, 0 at 0 Hz.

    Notes
    -----
    Between the points of :data:`FLUTTER_WEIGHTING_DB` the level in dB follows a monotone cubic over the
    logarithm of frequency, which is flat at 4 Hz and has no kinks; it never leaves the interval of its two
    neighbouring points. Outside the table it goes on with 18 dB per octave below 0.1 Hz and -6 dB per octave
    above 200 Hz (our rule, the standard has none).
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    points = np.array(FLUTTER_WEIGHTING_DB)
    lowest, highest = points[0, 0], points[-1, 0]
    inside = np.clip(frequency, lowest, highest)
    level = np.asarray(_flutter_table()(np.log2(inside)), dtype=np.float64)
    with np.errstate(divide="ignore"):
        level += _BELOW_TABLE_DB_PER_OCTAVE * np.minimum(np.log2(frequency / lowest), 0.0)
    level += _ABOVE_TABLE_DB_PER_OCTAVE * np.log2(np.maximum(frequency, highest) / highest)
    return np.asarray(10.0 ** (level / 20.0))


@cache
def _flutter_table():  # type: ignore[no-untyped-def]  # the interpolator's class is not imported at module level
    from scipy.interpolate import PchipInterpolator

    points = np.array(FLUTTER_WEIGHTING_DB)
    return PchipInterpolator(np.log2(points[:, 0]), points[:, 1])


def a_weighting(frequency_hz: "npt.ArrayLike") -> FloatArray:
    """Gain of the A-weighting, an amplitude ratio that is 1 at 1 kHz.

    Analytic expression of IEC 61672-1:2013, annex E: poles at 20.598997 Hz (twice), 107.65265, 737.86223 and
    12194.217 Hz (twice).
    """

    def unscaled(frequency: FloatArray) -> FloatArray:
        f2 = frequency**2
        poles = (f2 + 20.598997**2) * np.sqrt((f2 + 107.65265**2) * (f2 + 737.86223**2)) * (f2 + 12194.217**2)
        return np.asarray(12194.217**2 * f2**2 / poles)

    frequency = np.asarray(frequency_hz, dtype=np.float64)
    return np.asarray(unscaled(frequency) / unscaled(np.array(1000.0)))


def itu468_weighting(frequency_hz: "npt.ArrayLike") -> FloatArray:
    """Gain of the noise weighting of ITU-R BS.468-4, an amplitude ratio that is 1 at 1 kHz.

    Rational function commonly published as a fit to Table 1 of the recommendation, set to exactly 0 dB at
    1 kHz (the fit as printed has 0.008 dB there); within 0.051 dB of all points of the table.
    """

    def unscaled(frequency: FloatArray) -> FloatArray:
        f = frequency
        even = -4.737338981378384e-24 * f**6 + 2.043828333606125e-15 * f**4 - 1.363894795463638e-7 * f**2 + 1.0
        odd = 1.306612257412824e-19 * f**5 - 2.118150887518656e-11 * f**3 + 5.559488023498642e-4 * f
        return np.asarray(1.246332637532143e-4 * f / np.hypot(even, odd))

    frequency = np.asarray(frequency_hz, dtype=np.float64)
    return np.asarray(unscaled(frequency) / unscaled(np.array(1000.0)))


def minimum_phase(magnitude: FloatArray) -> ComplexArray:
    """Response of the causal network of least delay that has a given magnitude.

    Parameters
    ----------
    magnitude : ndarray, shape (bins,)
        Gain at equally spaced frequencies from 0 to half the sample rate, both included.

    Returns
    -------
    ndarray, shape (bins,), complex

    Notes
    -----
    The phase is the Hilbert transform of the logarithm of the magnitude, through the cepstrum. Gains below
    1e-7 of the largest are taken as that, so that a zero at 0 Hz has a logarithm.
    """
    from scipy import fft

    floor = 1e-7 * float(np.max(magnitude))
    cepstrum = fft.irfft(np.log(np.maximum(magnitude, floor)))
    half = cepstrum.size // 2
    cepstrum[1:half] *= 2.0
    cepstrum[half + 1 :] = 0.0
    phase = np.imag(fft.rfft(cepstrum))
    return np.asarray(magnitude * np.exp(1j * phase))


@cache
def _flutter_phase() -> tuple[FloatArray, FloatArray]:
    """Phase of the flutter weighting as a minimum-phase network, on a grid from 1/128 Hz to 1 kHz."""
    frequency = np.arange(1 << 18, dtype=np.float64) / 128.0
    response = minimum_phase(flutter_weighting(frequency))
    return frequency, np.unwrap(np.angle(response))


def flutter_network(frequency_hz: FloatArray) -> ComplexArray:
    """Complex response of the flutter weighting as a causal, minimum-phase network.

    The magnitude is :func:`flutter_weighting`. The standard gives no phase; a network of passive parts has
    the least phase its magnitude allows, and short pulses read right only with it.
    """
    grid, phase = _flutter_phase()
    return np.asarray(flutter_weighting(frequency_hz) * np.exp(1j * np.interp(frequency_hz, grid, phase)))


def raised_cosine(frequency: FloatArray, start: float, stop: float) -> FloatArray:
    """Smooth step over frequency: 1 up to `start`, 0 from `stop`, half a cosine between (either order)."""
    if math.isclose(start, stop):
        return np.asarray((frequency <= start).astype(np.float64))
    position = np.clip((frequency - start) / (stop - start), 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * position))
