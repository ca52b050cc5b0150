"""How much the level of a held note swings behind a system in which a tape and a reverb meet.

A reverb answers each frequency with another gain. So a tone whose pitch wavers comes out of it wavering in
level, far deeper than any envelope detector of the lab accepts as one steady tone; a reverb before the same
tape keeps the level. This meter reads just that: the level in a band around the tone, frame by frame.
"""

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from measure.errors import MeasureError
from measure.parts.run import drive
from measure.parts.spectrum import power_spectrum
from measure.results import Condition, Reading, undefined
from measure.validation import as_system, check_frequency, check_rate

__all__ = ["level_swing"]

_LOWEST_HZ, _HIGHEST_SHARE = 100.0, 0.4  # of the tone, and of the rate
_FRAME_SECONDS = 0.1
_BAND_SHARE = 0.1
_FEWEST_FRAMES = 10
_DEEPEST_DB = 40.0


def level_swing(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    frequency_hz: float = 1000.0,
    level_dbfs: float = -18.0,
    seconds: float = 6.0,
    settle_seconds: float = 2.0,
) -> Reading:
    """Measure by how much the level of a steady tone swings behind a system.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``, one channel, latency taken out.
    sample_rate : float
        Samples per second.
    frequency_hz : float
        Of the tone, between 100 Hz and 0.4 of the rate.
    level_dbfs : float
        Peak of the tone re full scale.
    seconds : float
        How long is read, 1 s or more.
    settle_seconds : float
        How long the tone has sounded before; a reverb must have filled up.

    Returns
    -------
    Reading
        Standard deviation of the level in dB over half-overlapping frames of 0.1 s, of the power within 10 %
        of the tone. Levels more than 40 dB below the mean power count as 40 dB below it. ``nan`` with the
        reason if nothing comes out.

    Raises
    ------
    MeasureError
        If an argument breaks a rule.

    Notes
    -----
    The frames let swings of up to about 5 Hz through. Own protocol, no source. For a tone whose level is
    that of narrow Gaussian noise the figure would be 5.6 dB (Rayleigh's distribution in decibels).
    """
    rate = check_rate(sample_rate)
    if not (seconds >= 1.0 and settle_seconds >= 0.0 and math.isfinite(seconds + settle_seconds)):
        raise MeasureError(
            f"seconds is {seconds!r} and settle_seconds {settle_seconds!r}, but the first must be 1 or more and "
            "the second must not be negative"
        )
    check_frequency(frequency_hz, rate, lowest_hz=_LOWEST_HZ, highest_share=_HIGHEST_SHARE)
    clock = np.arange(round((seconds + settle_seconds) * rate)) / rate
    tone = 10.0 ** (level_dbfs / 20.0) * np.sin(2.0 * np.pi * frequency_hz * clock)
    heard = drive(as_system(system), tone, rate)[round(settle_seconds * rate) :]
    frame = round(_FRAME_SECONDS * rate)
    powers = []
    for start in range(0, heard.size - frame + 1, frame // 2):
        frequency, power = power_spectrum(heard[start : start + frame], rate)
        powers.append(float(np.sum(power[np.abs(frequency / frequency_hz - 1.0) <= _BAND_SHARE])))
    conditions: dict[str, Condition] = {
        "frequency_hz": float(frequency_hz),
        "level_dbfs": float(level_dbfs),
        "seconds": float(seconds),
        "settle_seconds": float(settle_seconds),
        "sample_rate_hz": rate,
    }
    method = "standard deviation of the level over frames of 0.1 s, within 10 % of the tone"
    mean = float(np.mean(powers)) if len(powers) >= _FEWEST_FRAMES else math.nan
    if not (math.isfinite(mean) and mean > 0.0):
        reason = "the system returned silence, non-finite samples or too few of them"
        return undefined("level swing of a held note", "dB", reason, conditions, method=method)
    levels = 10.0 * np.log10(np.maximum(np.asarray(powers) / mean, 10.0 ** (-_DEEPEST_DB / 10.0)))
    return Reading(
        quantity="level swing of a held note",
        value=float(np.std(levels)),
        unit="dB",
        method=method,
        conditions=conditions,
        uncertainty_basis="exact for this recording",
    )
