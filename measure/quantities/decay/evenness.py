"""Colouration: how uneven the magnitude of a response is."""

import math
from dataclasses import dataclass

import numpy as np

from measure.results import Conditions, Reading, Result
from measure.validation import FloatArray, check_rate, check_signal, unusable

__all__ = [
    "Colouration",
    "colouration",
]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Colouration(Result):
    """How uneven a response is over frequency, against Gaussian noise, the ideal of a diffuse one.

    Attributes
    ----------
    deviation : Reading
        Standard deviation of ``20 lg |H|`` in dB; 5.57 for Gaussian noise.
    flatness : Reading
        Geometric over arithmetic mean of ``|H|^2`` in dB; -2.51 for Gaussian noise.
    """

    deviation: Reading
    flatness: Reading


def colouration(
    impulse_response: FloatArray, sample_rate: float, *, low_hz: float = 100.0, high_hz: float = 10_000.0
) -> Colouration:
    """Read how uneven the magnitude of a response is.

    Parameters
    ----------
    impulse_response : ndarray, shape (samples,)
        Response, long enough to hold its decay.
    sample_rate : float
        Samples per second.
    low_hz, high_hz : float
        Band that is looked at, every bin of it alike.
    """
    h = check_signal(impulse_response)
    rate = check_rate(sample_rate)
    conditions: Conditions = {"low_hz": low_hz, "high_hz": min(high_hz, 0.5 * rate), "sample_rate_hz": rate}

    def pair(deviation: float, flatness: float, bins: float, *why: str) -> Colouration:
        # Variance of the sample deviation of a log-exponential variable: (kurtosis - 1) / 4n of its variance,
        # kurtosis 5.4; variance of the flatness: (pi^2 / 6 - 1) / n in nepers.
        doubt = math.sqrt(1.1 / bins) * deviation if bins > 0.0 else math.nan
        doubt_flat = 4.343 * math.sqrt((math.pi**2 / 6.0 - 1.0) / bins) if bins > 0.0 else math.nan
        return Colouration(
            deviation=Reading(
                quantity="standard deviation of the magnitude",
                value=deviation,
                unit="dB",
                method="20 lg |H| of every bin; 5.57 dB for Gaussian noise",
                conditions=conditions,
                uncertainty=doubt,
                uncertainty_basis="theory (independent bins)",
                warnings=why,
            ),
            flatness=Reading(
                quantity="spectral flatness",
                value=flatness,
                unit="dB",
                method="geometric over arithmetic mean of |H|^2; -2.51 dB for Gaussian noise",
                conditions=conditions,
                uncertainty=doubt_flat,
                uncertainty_basis="theory (independent bins)",
                warnings=why,
            ),
        )

    reason = unusable(h)
    if reason:
        return pair(math.nan, math.nan, 0.0, reason)
    frequencies = np.fft.rfftfreq(len(h), 1.0 / rate)
    inside = (frequencies >= low_hz) & (frequencies <= high_hz)
    power = np.abs(np.fft.rfft(h)[inside]) ** 2
    if len(power) < 100:
        return pair(math.nan, math.nan, 0.0, f"only {len(power)} bins lie between {low_hz:g} and {high_hz:g} Hz")
    if np.min(power) <= 0.0 or np.mean(power) < 1e-20 * np.sum(h**2):
        return pair(math.nan, math.nan, 0.0, f"there is nothing between {low_hz:g} and {high_hz:g} Hz")
    levels = 10.0 * np.log10(power)
    block = max(1, round(0.005 * rate))
    energy = np.add.reduceat(h**2, np.arange(0, len(h), block))
    # Neighbouring bins are alike over one over the duration of the energy.
    lasting = float(np.sum(energy) ** 2 / np.sum(energy**2)) * block / rate
    independent = float(np.clip((min(high_hz, 0.5 * rate) - low_hz) * lasting, 1.0, len(power)))
    flatness = float(np.mean(levels) - 10.0 * math.log10(float(np.mean(power))))
    return pair(float(np.std(levels)), flatness, independent)
