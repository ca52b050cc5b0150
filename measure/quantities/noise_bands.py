"""Noise by third octaves."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from measure.errors import MeasureError
from measure.parts.spectrum import power_spectrum
from measure.results import Condition, Curve, Result
from measure.validation import check_rate, check_signal, unusable

__all__ = ["THIRD_OCTAVES_HZ", "NoiseBands", "noise_bands"]

THIRD_OCTAVES_HZ = tuple(1000.0 * 10.0 ** (k / 10.0) for k in range(-17, 14))
"""Middles of the third octaves from 20 Hz to 20 kHz, base ten (IEC 61260-1)."""

_HALF_BAND = 10.0**0.05
_LEAST_VALUES = 4.0  # bandwidth times duration
_METHOD = "spectrum (Hann), summed between the edges of the band"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class NoiseBands(Result):
    """Noise by third octaves.

    Attributes
    ----------
    levels : Curve
        Level in dB re the reference level against the middle of the band in Hz; ``nan`` where the recording is too
        short for the band.
    """

    levels: Curve


def noise_bands(signal: "npt.ArrayLike", sample_rate: float, *, reference_dbfs: float = 0.0) -> NoiseBands:
    """Read the levels of noise in third octaves.

    Parameters
    ----------
    signal : array_like, shape (samples,)
        Noise alone.
    sample_rate : float
        Samples per second. Bands that reach beyond half of it are left out.
    reference_dbfs : float
        Level that the readings are relative to, as a sine's peak re full scale (AES17).

    Returns
    -------
    NoiseBands
        Each level with its standard uncertainty: the chance of random noise over the duration.

    Raises
    ------
    MeasureError
        If an argument has the wrong type or shape.

    Notes
    -----
    Bands of IEC 61260-1, base ten, with sharp edges: bins that an edge divides count in proportion. A band needs
    bandwidth times duration of four or more.
    """
    y, rate = check_signal(signal), check_rate(sample_rate)
    if not math.isfinite(reference_dbfs):
        raise MeasureError(f"reference_dbfs is {reference_dbfs!r}, but must be finite")
    conditions: dict[str, Condition] = {
        "reference_dbfs": float(reference_dbfs),
        "duration_seconds": round(len(y) / rate, 6),
        "sample_rate_hz": rate,
    }
    middles = np.array([hz for hz in THIRD_OCTAVES_HZ if hz * _HALF_BAND <= 0.5 * rate])
    levels, doubts = np.full(middles.size, np.nan), np.full(middles.size, np.nan)
    warnings = []
    if reason := unusable(y):
        warnings.append(reason)
    else:
        frequency, power = power_spectrum(y, rate)
        spacing = float(frequency[1])
        for k, middle in enumerate(middles):
            low, high = middle / _HALF_BAND, middle * _HALF_BAND
            values = (high - low) * len(y) / rate
            if values < _LEAST_VALUES:
                continue
            shares = np.clip(
                np.minimum(frequency + 0.5 * spacing, high) - np.maximum(frequency - 0.5 * spacing, low),
                0.0,
                spacing,
            )
            mean_square = float(np.sum(power * shares)) / spacing
            if mean_square > 0.0:
                levels[k] = 10.0 * math.log10(2.0 * mean_square) - reference_dbfs
                # The Hann window leaves half of the independent values (1.94 times the variance).
                doubts[k] = 4.343 * math.sqrt(1.94 / values)
        if np.any(np.isnan(levels)):
            warnings.append("the recording is too short for the lowest bands, or some bands are empty")
    return NoiseBands(
        levels=Curve(
            quantity="noise by third octaves",
            x=middles,
            y=levels,
            x_name="frequency",
            x_unit="Hz",
            y_unit="dB",
            uncertainty=doubts,
            method=_METHOD,
            conditions=conditions,
            warnings=tuple(warnings),
        )
    )
