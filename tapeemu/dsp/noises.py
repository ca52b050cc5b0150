"""Noise that a trajectory may hold: a band, or one law over many octaves."""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.validation import FloatArray

__all__ = ["NoiseBand", "RandomLaw", "band_density", "law_density", "law_octaves"]


class NoiseBand(NamedTuple):
    """Gaussian noise between two edges (-6 dB points), of flat power density.

    Attributes
    ----------
    key : int
        From :func:`tapeemu.dsp.tape_position.stream_key`.
    low_hz, high_hz : float
        Edges, a ratio of 1.25 apart or more. The lower may be 0 when the noise is not integrated.
    rms : float
        Standard deviation of the noise, before integration.
    integrate : bool
        Deliver the integral over time (in seconds) of the noise instead of the noise. It is designed as a
        response, not accumulated, so it is stationary and bounded.
    """

    key: int
    low_hz: float
    high_hz: float
    rms: float
    integrate: bool = False


class RandomLaw(NamedTuple):
    """The integral of Gaussian noise whose power density follows one slope over many octaves.

    Attributes
    ----------
    key : int
        From :func:`tapeemu.dsp.tape_position.stream_key`.
    low_hz, high_hz : float
        The law holds between them, an octave apart or more. Beyond, the density falls along a squared cosine
        over the logarithm of the frequency, to nothing about an octave away.
    rms : float
        Standard deviation of the noise; the trajectory is its integral over time.
    slope_db_per_octave : float
        Slope of the power density; -3 is one over the frequency.
    """

    key: int
    low_hz: float
    high_hz: float
    rms: float
    slope_db_per_octave: float = -3.0


def band_density(band: NoiseBand, frequencies: FloatArray) -> FloatArray:
    """One-sided power density of the noise of a band (before integration), per Hz.

    The amplitude rises along a sine from 0.65 to 1.35 of `low_hz` and falls from 0.85 to 1.15 of `high_hz`.
    """

    def shape(at: FloatArray) -> FloatArray:
        def rise(edge: float, width: float) -> FloatArray:
            place = np.clip((at - edge) / (width * edge), -1.0, 1.0)
            return np.asarray(0.5 * (1.0 + np.sin(0.5 * np.pi * place)))

        falling = 1.0 - rise(band.high_hz, 0.15)
        return falling * rise(band.low_hz, 0.35) if band.low_hz > 0.0 else falling

    grid = np.linspace(0.0, 1.2 * band.high_hz, 20001)
    total = np.trapezoid(shape(grid) ** 2, grid)
    return np.asarray(band.rms**2 / total * shape(frequencies) ** 2)


def law_density(law: RandomLaw, frequencies: FloatArray) -> FloatArray:
    """One-sided power density of the noise of a law (before integration), per Hz."""
    octaves, ratio = law_octaves(law)

    def shape(at: FloatArray) -> FloatArray:
        relative = np.maximum(at, 1e-9 * law.low_hz) / law.low_hz
        place = np.log(relative) / math.log(ratio)
        beyond = np.clip(np.maximum(-place, place - octaves), 0.0, 1.0)
        inside = (place > -1.0) & (place < octaves + 1.0)
        exponent = law.slope_db_per_octave / (10.0 * math.log10(2.0))
        return np.asarray(inside * np.cos(0.5 * np.pi * beyond) ** 2 * relative**exponent)

    grid = np.geomspace(law.low_hz / ratio, law.high_hz * ratio, 64 * (octaves + 2) + 1)
    return np.asarray(law.rms**2 / float(np.trapezoid(shape(grid), grid)) * shape(frequencies))


def law_octaves(law: RandomLaw) -> tuple[int, float]:
    """Octaves between the edges of a law, rounded, and the ratio of frequencies that stands for one of them."""
    octaves = max(1, math.ceil(math.log2(law.high_hz / law.low_hz) - 0.25))
    return octaves, float((law.high_hz / law.low_hz) ** (1.0 / octaves))
