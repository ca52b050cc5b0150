"""Distortion and noise together: what a notch leaves of a tone."""

import math

import numpy as np

from measure.errors import MeasureError
from measure.parts.spectrum import power_spectrum
from measure.parts.tone_fit import fit_tone
from measure.results import Conditions, Reading
from measure.validation import FloatArray, check_rate, check_signal

__all__ = [
    "thd_plus_noise",
]


def thd_plus_noise(
    signal: FloatArray,
    sample_rate: float,
    *,
    frequency_hz: float | None = None,
    notch_q: float = 2.0,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
) -> Reading:
    """Read distortion and noise together: what a notch leaves, over all.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Recording of one tone.
    sample_rate : float
        Samples per second.
    frequency_hz : float, optional
        Frequency of the tone; without it the strongest line is the tone.
    notch_q : float
        Q of the second-order notch, 1.2 to 3 (AES17-2015, 6.3). It takes a little off the harmonics too:
        1.7 % off a third harmonic at Q = 2.
    low_hz, high_hz : float
        Band of noise and harmonics, cut off sharply.

    Notes
    -----
    The steady line at the tone's frequency is fitted and removed, as the notch would remove it; everything else is
    weighted by the analogue notch, flutter sidebands included.
    """
    y = check_signal(signal)
    rate = check_rate(sample_rate)
    if not 1.2 <= notch_q <= 3.0:
        raise MeasureError(f"notch_q is {notch_q!r}, but AES17 allows 1.2 to 3")
    high_hz = min(high_hz, 0.5 * rate)
    if not 0.0 <= low_hz < high_hz:
        raise MeasureError(f"the band is {low_hz!r} to {high_hz!r} Hz, but must rise from 0 Hz or more")
    conditions: Conditions = {
        "notch_q": notch_q,
        "low_hz": low_hz,
        "high_hz": high_hz,
        "sample_rate_hz": rate,
        "seconds": round(len(y) / rate, 6),
    }

    def reading(value: float, sigma: float, *why: str) -> Reading:
        return Reading(
            quantity="THD+N",
            value=value,
            unit="%",
            method=f"notch of Q {notch_q:g}, residual over total, {low_hz:g} Hz to {high_hz:g} Hz",
            standard="AES17-2015 6.3",
            conditions=conditions,
            uncertainty=sigma,
            uncertainty_basis="theory (as if all of the residual were noise)"
            if math.isfinite(sigma)
            else "not stated",
            warnings=why,
        )

    fit = fit_tone(y, rate, frequency_hz=frequency_hz)
    if fit.reason:
        return reading(math.nan, math.nan, fit.reason)
    conditions["frequency_hz"] = round(fit.frequency_hz, 4)
    conditions["level_dbfs"] = round(20.0 * math.log10(fit.amplitudes[1]), 3)
    if not low_hz < fit.frequency_hz < high_hz:
        return reading(math.nan, math.nan, f"the tone at {fit.frequency_hz:.5g} Hz lies outside the band")
    rest, tone_power = _without_line(y, fit.frequency_hz, rate)
    frequencies, left = power_spectrum(rest, rate)
    inside = (frequencies >= low_hz) & (frequencies <= high_hz)
    ratio = frequencies[inside] / fit.frequency_hz
    notch = (1.0 - ratio**2) ** 2 / ((1.0 - ratio**2) ** 2 + (ratio / notch_q) ** 2)
    residual = float(np.sum(left[inside] * notch))
    total = tone_power + float(np.sum(left[inside]))
    value = 100.0 * math.sqrt(residual / total)
    # A mean square of B T pairs scatters by 1 / sqrt(B T), its root by half. A Hann window leaves 18 / 35 of them.
    independent = 18.0 / 35.0 * (high_hz - low_hz) * len(y) / rate
    return reading(value, value / (2.0 * math.sqrt(independent)), *fit.warnings)


def _without_line(y: FloatArray, frequency_hz: float, rate: float) -> tuple[FloatArray, float]:
    """A recording less its mean and its line at a frequency, and the power of that line."""
    moment = np.arange(len(y)) - 0.5 * (len(y) - 1)
    turn = 2.0 * np.pi * frequency_hz / rate * moment
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(len(y)) + 0.5) / len(y))
    basis = np.stack([np.ones(len(y)), np.cos(turn), np.sin(turn)])
    solution = np.linalg.solve((basis * window) @ basis.T, (basis * window) @ y)
    return np.asarray(y - solution @ basis), 0.5 * float(solution[1] ** 2 + solution[2] ** 2)
