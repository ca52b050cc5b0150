"""Gaussian noise along one law over many octaves, on nodes of their own for every slow octave.

A spectral law as a sum of noises, one an octave, each a filtered sequence of random numbers at its own rate: the
idea of Voss and McCartney (from memory), here with flanks whose powers add up to one.
"""

import math
from fractions import Fraction
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from tapeemu.dsp.tape_position import ExactRate, Purpose, stream_key
from tapeemu.validation import FloatArray

__all__ = ["OctaveNoise", "RandomLaw", "law_density"]

_OCTAVE_TAPS = 32
"""Hashed numbers that a node of a law's octave depends on; third octaves then follow the law within 0.5 dB."""

_NODES_PER_NUMBER = 2
"""Nodes per hashed number of an octave: about eight per period of its centre, four of its highest frequency, to
which its flank falls. What an interpolant between them leaves of their images is 25 dB below the law there."""

_SLOW_TOP_HZ = 250.0
"""A law that ends here or below is made of octaves throughout."""

_FAST_FROM_HZ = 125.0
"""Octaves centred above this are made at the sample rate when a law goes on beyond the slow top."""


class RandomLaw(NamedTuple):
    """Gaussian noise whose power density follows one slope over many octaves.

    Attributes
    ----------
    key : int
        From :func:`stream_key`.
    low_hz, high_hz : float
        The law holds between them, an octave apart or more. Beyond, the density falls along a squared cosine
        over the logarithm of the frequency, to nothing one :attr:`ratio` away (about an octave).
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

    @property
    def octaves(self) -> int:
        """Distance of the edges in ratios: octaves, rounded so that a ratio is 0.63 to 1.25 of them."""
        return max(1, math.ceil(math.log2(self.high_hz / self.low_hz) - 0.25))

    @property
    def ratio(self) -> float:
        """Ratio of the centres of neighbouring octaves, near 2; the first and the last are the edges."""
        return float((self.high_hz / self.low_hz) ** (1.0 / self.octaves))

    @property
    def exponent(self) -> float:
        """The density goes with the frequency to this power."""
        return self.slope_db_per_octave / (10.0 * math.log10(2.0))

    @property
    def centres_hz(self) -> list[float]:
        """Centres of the octaves, both edges included."""
        return [self.low_hz * self.ratio**number for number in range(self.octaves + 1)]

    @property
    def slow_octaves(self) -> int:
        """How many octaves, from the lowest, are interpolated; the rest is made at the sample rate."""
        if self.high_hz <= _SLOW_TOP_HZ:
            return self.octaves + 1
        return sum(centre <= _FAST_FROM_HZ for centre in self.centres_hz)


def _unscaled_law(law: RandomLaw, frequencies: npt.NDArray[np.floating[Any]]) -> FloatArray:
    """The law with its flanks, 1 at the lower edge."""
    relative = np.maximum(frequencies, 1e-9 * law.low_hz) / law.low_hz
    place = np.log(relative) / math.log(law.ratio)
    beyond = np.clip(np.maximum(-place, place - law.octaves), 0.0, 1.0)
    inside = (place > -1.0) & (place < law.octaves + 1.0)
    return np.asarray(inside * np.cos(0.5 * np.pi * beyond) ** 2 * relative**law.exponent)


@lru_cache(maxsize=64)
def _law_power(low_hz: float, high_hz: float, slope_db_per_octave: float) -> float:
    law = RandomLaw(0, low_hz, high_hz, 1.0, slope_db_per_octave)
    grid = np.geomspace(law.low_hz / law.ratio, law.high_hz * law.ratio, 64 * (law.octaves + 2) + 1)
    return float(np.trapezoid(_unscaled_law(law, grid), grid))


def _law_scale(law: RandomLaw) -> float:
    return law.rms**2 / _law_power(law.low_hz, law.high_hz, law.slope_db_per_octave)


def law_density(law: RandomLaw, frequencies: npt.NDArray[np.floating[Any]]) -> FloatArray:
    """One-sided power density of the noise of a law (before integration), per Hz."""
    return np.asarray(_law_scale(law) * _unscaled_law(law, frequencies))


@lru_cache(maxsize=32)
def _octave_taps(ratio: float, exponent: float) -> FloatArray:
    """Design the taps of an octave centred at 1 Hz, for a standard deviation of the slope of one.

    Rows as :func:`tapeemu.dsp.kernels.noise.fill_octaves` takes them. A cosine flank to each side of the law,
    integrated, under a Hann window. Neighbouring octaves are independent and the squares of their flanks add up
    to one, so the sum of all has the density of the law. All octaves of a law have the same taps, at rates
    in the ratio of their centres.
    """
    rate = 2.0 * ratio * _NODES_PER_NUMBER
    support = _OCTAVE_TAPS * _NODES_PER_NUMBER
    size = 64 * support
    frequencies = np.fft.rfftfreq(size, 1.0 / rate)
    place = np.log(np.maximum(frequencies, 1e-9)) / math.log(ratio)
    shape = np.zeros(frequencies.size)
    inside = np.abs(place) < 1.0
    shape[inside] = np.cos(0.5 * np.pi * place[inside]) * frequencies[inside] ** (0.5 * exponent - 1.0)
    kernel = np.zeros(size)
    kernel[: support + 1] = np.roll(np.fft.irfft(shape, size), support // 2)[: support + 1]
    kernel[: support + 1] *= np.hanning(support + 1)
    slope = np.fft.irfft(2j * np.pi * frequencies * np.fft.rfft(kernel), size)
    offsets = np.arange(_OCTAVE_TAPS) - (_OCTAVE_TAPS // 2 - 1)
    places = support // 2 + np.arange(_NODES_PER_NUMBER)[:, None] - _NODES_PER_NUMBER * offsets[None, :]
    taps = np.concatenate([kernel[places], slope[places]])
    taps *= math.sqrt(_NODES_PER_NUMBER / float(np.sum(taps[_NODES_PER_NUMBER:] ** 2)))
    taps.flags.writeable = False
    return taps


class OctaveNoise:
    """The integral of the slow octaves of a :class:`RandomLaw`.

    Each octave is noise on a grid of its own, about eight nodes per period of its centre. A node is a
    weighted sum of 32 hashed numbers round it, so any stretch is computed on the spot, without transforms.
    Nodes carry value and slope for a cubic Hermite interpolant, as those of :class:`SlowNoise` do.

    Parameters
    ----------
    law : RandomLaw
        The whole law.
    sample_rate : float
        Samples per second.
    step : int
        Samples from one point of the grid, on which the noise is written, to the next.
    points : int
        Most points that are asked for at a time.

    Attributes
    ----------
    rms : float
        Standard deviation of what is delivered.
    bound : float
        Largest magnitude, eight standard deviations. The sum of all octaves is clipped at 6.8, which does not
        happen in practice; an interpolant between clipped points may overshoot them by less than 1.2.
    """

    def __init__(self, law: RandomLaw, sample_rate: float, step: int, points: int) -> None:
        from tapeemu.dsp.kernels.noise import Octaves, Scratch

        centres = law.centres_hz[: law.slow_octaves]
        rates = [2.0 * law.ratio * centre * _NODES_PER_NUMBER for centre in centres]
        self._places = [ExactRate(Fraction(rate) / Fraction(sample_rate)) for rate in rates]
        growth = 0.5 * (law.exponent + 1.0)
        deviations = _lowest_deviation(law) * (np.array(centres) / law.low_hz) ** growth
        self._octaves = Octaves(
            keys=np.array([stream_key(law.key, Purpose.PLACE, k) for k in range(len(centres))], dtype=np.uint64),
            first_nodes=np.zeros(len(centres), dtype=np.int64),
            starts=np.zeros(len(centres)),
            steps=step * np.array(rates) / sample_rate,
            value_scales=deviations / centres,
            slope_scales=deviations / rates,
        )
        self._taps = _octave_taps(law.ratio, law.exponent)
        per_centre = math.sqrt(float(np.sum(self._taps[:_NODES_PER_NUMBER] ** 2)) / _NODES_PER_NUMBER)
        self.rms = per_centre * math.sqrt(float(np.sum(self._octaves.value_scales**2)))
        self._limit = 6.8 * self.rms
        self.bound = 8.0 * self.rms
        numbers = int(self._octaves.steps[-1] * points) // _NODES_PER_NUMBER + 3
        self._scratch = Scratch(
            white=np.empty(numbers + _OCTAVE_TAPS - 1),
            planes=np.empty((2 * _NODES_PER_NUMBER, numbers)),
            node_values=np.empty(_NODES_PER_NUMBER * numbers),
            node_slopes=np.empty(_NODES_PER_NUMBER * numbers),
        )

    def fill(self, first: int, values: FloatArray, slopes: FloatArray) -> None:
        """Write values and slopes (per step) on a grid whose first point is sample `first`."""
        from tapeemu.dsp.kernels.noise import fill_octaves

        nodes, starts = zip(*(place.split(first) for place in self._places), strict=True)
        self._octaves.first_nodes[:] = nodes
        self._octaves.starts[:] = starts
        fill_octaves(self._octaves, self._taps, self._scratch, self._limit, values, slopes)


def _lowest_deviation(law: RandomLaw) -> float:
    """Standard deviation of the lowest octave of a law, before integration."""
    grid = np.geomspace(1.0 / law.ratio, law.ratio, 129)
    flank = np.cos(0.5 * np.pi * np.log(grid) / math.log(law.ratio)) ** 2
    return math.sqrt(_law_scale(law) * law.low_hz * float(np.trapezoid(grid**law.exponent * flank, grid)))
