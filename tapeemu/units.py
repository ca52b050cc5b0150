"""Conversions between the units that settings and figures are given in.

Levels of sines follow AES17: a sine whose peak reaches full scale is 0 dBFS, so a sine at ``level_dbfs``
has the peak amplitude ``db_to_gain(level_dbfs)``.
"""

import math

__all__ = ["db_to_gain", "gain_to_db", "percent_to_ratio", "ratio_to_percent", "seconds_to_samples"]


def db_to_gain(level_db: float) -> float:
    """Amplitude ratio of a level in decibels: ``10 ** (level_db / 20)``."""
    return float(10.0 ** (level_db / 20.0))


def gain_to_db(gain: float) -> float:
    """Level in decibels of an amplitude ratio; minus infinity for zero."""
    magnitude = abs(gain)
    return 20.0 * math.log10(magnitude) if magnitude > 0.0 else -math.inf


def percent_to_ratio(percent: float) -> float:
    """Hundredths to a plain ratio."""
    return percent / 100.0


def ratio_to_percent(ratio: float) -> float:
    """Plain ratio to hundredths."""
    return ratio * 100.0


def seconds_to_samples(seconds: float, sample_rate: float) -> int:
    """Nearest whole number of samples in a time."""
    return round(seconds * sample_rate)
