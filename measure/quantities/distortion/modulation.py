"""Modulation distortion: what a low tone does to a high one."""

import math
from dataclasses import dataclass

import numpy as np

from measure.quantities.distortion.two_tones import percent_reading, two_tone_conditions, two_tone_fit
from measure.results import Reading, Result
from measure.validation import FloatArray

__all__ = [
    "ModulationDistortion",
    "modulation_distortion",
]

_SIDEBANDS = 5


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ModulationDistortion(Result):
    """What a strong low tone does to a weak high one, in per cent of the high one.

    Attributes
    ----------
    second, third : Reading
        Per order: sum of the two sidebands at ``f2 +- f1`` and at ``f2 +- 2 f1`` (IEC 60268-3).
    single : Reading
        RMS of the first five pairs of sidebands.
    """

    second: Reading
    third: Reading
    single: Reading


def modulation_distortion(
    signal: FloatArray, sample_rate: float, *, low_hz: float = 60.0, high_hz: float = 7_000.0
) -> ModulationDistortion:
    """Read modulation distortion from a recording of two tones, usually 60 Hz and 7 kHz, 4 to 1.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Recording, a second or more.
    sample_rate : float
        Samples per second.
    low_hz, high_hz : float
        The two tones; the high one gives the time base and is found within 5 %.
    """
    pairs = [(high_hz + k * sign * low_hz) for k in range(1, _SIDEBANDS + 1) for sign in (-1.0, 1.0)]
    fit = two_tone_fit(signal, sample_rate, low_hz, high_hz, [low_hz, high_hz, *pairs], low_hz)
    conditions = two_tone_conditions(fit, low_hz, high_hz, sample_rate)
    a, sigma = fit.amplitudes, fit.sigmas
    bands, doubts = a[2:].reshape(_SIDEBANDS, 2), sigma[2:].reshape(_SIDEBANDS, 2)
    # On average noise adds twice its variance per quadrature to the square of an amplitude.
    power = max(float(np.sum(bands**2 - 2.0 * doubts**2)), 0.0) if not fit.reason else math.nan
    rms = math.sqrt(power)
    carrier = float(a[1])

    def reading(quantity: str, value: float, doubt: float, standard: str, method: str) -> Reading:
        return percent_reading(
            quantity, value / carrier, doubt / carrier, standard, method, conditions, fit.reason
        )

    return ModulationDistortion(
        second=reading(
            "modulation distortion, second order",
            float(np.sum(bands[0])),
            float(np.hypot(*doubts[0])),
            "IEC 60268-3",
            "sum of the sidebands at f2 +- f1 over f2",
        ),
        third=reading(
            "modulation distortion, third order",
            float(np.sum(bands[1])),
            float(np.hypot(*doubts[1])),
            "IEC 60268-3",
            "sum of the sidebands at f2 +- 2 f1 over f2",
        ),
        single=reading(
            "modulation distortion, single figure",
            rms,
            float(np.sqrt(np.sum((bands * doubts) ** 2))) / rms
            if rms > 0.0
            else float(np.sqrt(np.sum(doubts**2))),
            "SMPTE practice",
            f"RMS of {_SIDEBANDS} pairs of sidebands over f2",
        ),
    )
