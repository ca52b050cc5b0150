"""Conversions between the units that settings and figures are given in.

Levels of sines follow AES17: a sine whose peak reaches full scale is 0 dBFS, so a sine at ``level_dbfs``
has the peak amplitude ``db_to_gain(level_dbfs)``.
"""

import math
import re
from decimal import Decimal

__all__ = [
    "db_to_gain",
    "gain_to_db",
    "is_quantity",
    "percent_to_ratio",
    "ratio_to_percent",
    "read_quantity",
    "seconds_to_samples",
    "split_quantity",
]

# Each family in terms of one unit. Decimal factors, so that 7.5 in/s is 19.05 cm/s and not a bit beside it.
_FAMILIES = (
    {"s": "1", "sec": "1", "ms": "0.001", "us": "0.000001", "min": "60"},
    {"hz": "1", "khz": "1000"},
    {"mm": "1", "cm": "10", "m": "1000", "um": "0.001", "in": "25.4"},
    {"cm/s": "1", "mm/s": "0.1", "m/s": "100", "in/s": "2.54", "ips": "2.54"},
    {"%": "1", "percent": "1"},
    {"db": "1"},
    {"dbfs": "1"},
    {"dbtp": "1"},
    {"lufs": "1"},
    {"db/octave": "1", "db/oct": "1"},
    {"1/min": "1", "/min": "1", "per minute": "1"},
    {"°": "1", "deg": "1", "degrees": "1"},
)
_QUANTITY = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*([^\d\s.,+-].{0,15}?)\s*", re.DOTALL)


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


def split_quantity(text: str) -> tuple[str, str] | None:
    """Number and unit of a text such as ``"1.8 s"``; None if it is not a number followed by a unit."""
    found = _QUANTITY.fullmatch(text)
    return None if found is None else (found[1], found[2])


def is_quantity(text: str) -> bool:
    """Whether a text is a number with a unit that is known here."""
    parts = split_quantity(text)
    return parts is not None and any(_plain(parts[1]) in family for family in _FAMILIES)


def read_quantity(text: str, unit: str) -> float | None:
    """The value in `unit` of a number with its unit, such as ``"1800 ms"`` in ``"s"``.

    Parameters
    ----------
    text : str
        Number and unit, a space between them or none.
    unit : str
        Unit of the result.

    Returns
    -------
    float or None
        The double nearest to the exact value; None if the text is not a number with a unit that is `unit` or
        converts into it exactly. A level in dB is not one in dBFS.
    """
    parts = split_quantity(text)
    if parts is None:
        return None
    number, own = parts
    for family in _FAMILIES:
        if (here := family.get(_plain(own))) and (there := family.get(_plain(unit))):
            return float(Decimal(number) * Decimal(here) / Decimal(there))
    return None


def _plain(unit: str) -> str:
    # Both signs for micro, the one on keyboards and the Greek letter.
    return unit.lower().replace("\u00b5", "u").replace("\u03bc", "u")
