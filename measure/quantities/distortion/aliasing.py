"""Aliasing: what folds back at half the rate, over the signal."""

import math
from collections.abc import Callable
from typing import Any

from measure.parts.prime_grid import aliasing_ratio_db, prime_grid
from measure.parts.run import drive
from measure.parts.signals import steady_tone
from measure.results import Reading
from measure.validation import as_system, check_rate, unusable

__all__ = [
    "aliasing_to_signal",
]


def aliasing_to_signal(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    frequency_hz: float = 1_245.0,
    level_dbfs: float = -6.0,
    seconds: float = 1.0,
    settle_seconds: float = 0.5,
    highest_hz: float = 20_000.0,
) -> Reading:
    """Measure the power of all that is not harmonic, over that of tone and harmonics.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``; steady and without noise, for both count as aliasing.
    sample_rate : float
        Samples per second.
    frequency_hz : float
        Tone; it is moved to the nearest bin of a prime length.
    level_dbfs : float
        Level of the tone.
    seconds, settle_seconds : float
        Length of the period that is analysed, and what comes before it.
    highest_hz : float
        Upper end of the band that counts.

    Notes
    -----
    Sato and Smith 2025: on a prime length no folded harmonic falls on the bin of a true one.
    """
    rate = check_rate(sample_rate)
    length, exact = prime_grid(rate, frequency_hz=frequency_hz, seconds=seconds)
    settle = round(settle_seconds * rate)
    tone = steady_tone(rate, frequency_hz=exact, seconds=(settle + length) / rate, level_dbfs=level_dbfs)
    answer = drive(as_system(system), tone, rate)[settle : settle + length]
    reason = unusable(answer)
    value = math.nan if reason else aliasing_ratio_db(answer, rate, frequency_hz=exact, highest_hz=highest_hz)
    return Reading(
        quantity="aliasing to signal",
        value=value,
        unit="dB",
        method="all other bins over harmonic bins of a transform of prime length",
        conditions={
            "frequency_hz": round(exact, 6),
            "level_dbfs": level_dbfs,
            "seconds": length / rate,
            "highest_hz": min(highest_hz, 0.5 * rate),
            "sample_rate_hz": rate,
        },
        uncertainty_basis="not stated: exact for a steady system; noise and modulation count as aliasing",
        warnings=(reason,) if reason else (),
    )
