"""Difference-frequency distortion: what two high tones make together."""

import math
from dataclasses import dataclass

import numpy as np

from measure.quantities.distortion.two_tones import percent_reading, two_tone_conditions, two_tone_fit
from measure.results import Reading, Result
from measure.validation import FloatArray

__all__ = [
    "DifferenceDistortion",
    "difference_frequency_distortion",
]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class DifferenceDistortion(Result):
    """What two equal tones make of each other, in per cent of the sum of their amplitudes.

    Attributes
    ----------
    second, third : Reading
        ``f2 - f1``, and the sum of ``2 f2 - f1`` and ``2 f1 - f2`` (IEC 60268-3).
    total : Reading
        RMS of ``f2 - f1`` and ``2 f1 - f2``: total difference-frequency distortion when the tones are 8 and
        11.95 kHz (from memory).
    """

    second: Reading
    third: Reading
    total: Reading


def difference_frequency_distortion(
    signal: FloatArray, sample_rate: float, *, low_hz: float = 19_000.0, high_hz: float = 20_000.0
) -> DifferenceDistortion:
    """Read difference-frequency distortion from a recording of two equal tones.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Recording, half a second or more.
    sample_rate : float
        Samples per second.
    low_hz, high_hz : float
        The two tones; the high one gives the time base and is found within 5 %, or 0.45 of their distance.
    """
    products = [high_hz - low_hz, 2.0 * high_hz - low_hz, 2.0 * low_hz - high_hz]
    apart = min(high_hz - low_hz, abs(products[2] - high_hz + low_hz) or high_hz - low_hz)
    fit = two_tone_fit(signal, sample_rate, low_hz, high_hz, [low_hz, high_hz, *products], high_hz - low_hz)
    conditions = two_tone_conditions(fit, low_hz, high_hz, sample_rate)
    a, sigma = fit.amplitudes, fit.sigmas
    both = float(a[0] + a[1])
    reason = fit.reason
    if not reason and apart * fit.seconds < 4.0:
        reason = f"the products lie {apart:g} Hz apart, too close to be told apart within {fit.seconds:.2g} s"
    rms = (
        math.sqrt(max(float(a[2] ** 2 + a[4] ** 2 - 2.0 * sigma[2] ** 2 - 2.0 * sigma[4] ** 2), 0.0))
        if not reason
        else math.nan
    )

    def reading(quantity: str, value: float, doubt: float, standard: str, method: str) -> Reading:
        return percent_reading(quantity, value / both, doubt / both, standard, method, conditions, reason)

    return DifferenceDistortion(
        second=reading(
            "difference-frequency distortion, second order",
            float(a[2]),
            float(sigma[2]),
            "IEC 60268-3",
            "f2 - f1 over the sum of the tones",
        ),
        third=reading(
            "difference-frequency distortion, third order",
            float(a[3] + a[4]),
            float(np.hypot(sigma[3], sigma[4])),
            "IEC 60268-3",
            "2 f2 - f1 and 2 f1 - f2 over the sum of the tones",
        ),
        total=reading(
            "difference-frequency distortion, total",
            rms,
            float(np.hypot(sigma[2], sigma[4])),
            "IEC 60268-3 (from memory)",
            "RMS of f2 - f1 and 2 f1 - f2 over the sum of the tones",
        ),
    )
