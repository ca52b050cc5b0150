"""Trajectories that belong to the tape: any stretch of them can be computed at any time, in any order.

A trajectory is a sum of sines (rotating parts) and of Gaussian noise, in bands or along one law over many
octaves. It is a function of the absolute sample index and of keys derived from the seed, and of nothing else:
sines are evaluated from the exact number of turns modulo one (integer arithmetic), noise is shaped from a
counter-based hash of its own node index. Hour ten costs what second one costs and is as exact.

Everything is defined in time, so the same key gives the same trajectory at every sample rate.

Sources: counter-based mixing: Steele, Lea, Flood, "Fast splittable pseudorandom number generators", OOPSLA
2014. A spectral law as a sum of noises, one an octave, each a filtered sequence of random numbers at its own
rate: the idea of Voss and McCartney (from memory), here with flanks whose powers add up to one. Overlap-save
and cubic Hermite interpolation: common practice.
"""

import math
import zlib
from collections.abc import Callable
from fractions import Fraction
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from tapeemu.dsp.linear_systems import solve_in_order
from tapeemu.dsp.shared_tables import read_only
from tapeemu.validation import FloatArray

__all__ = [
    "SEGMENT",
    "TWO_SIGMA",
    "FastNoise",
    "FastSpectrum",
    "NoiseBand",
    "OctaveNoise",
    "RandomLaw",
    "SettledTrajectory",
    "Sine",
    "SlowNoise",
    "Trajectory",
    "band_shape",
    "band_spectrum",
    "exceeded_level",
    "law_density",
    "power_spectrum",
    "stream_key",
    "upper_spectrum",
]

SEGMENT = 32_768
"""Samples in one piece of a trajectory; pieces start at its multiples, so block sizes cannot matter."""

TWO_SIGMA = 1.959963984540054
"""Standard deviations that a Gaussian quantity exceeds 5 % of the time."""

_SLOWEST_GRID_HZ = 2750.0
"""Sines and slow noise are evaluated at this rate or above, then interpolated."""

_NODES_PER_PERIOD = 12
"""Nodes per period of the highest frequency of a slow band."""

_OCTAVE_TAPS = 32
"""Hashed numbers that a node of a law's octave depends on; third octaves then follow the law within 0.5 dB."""

_NODES_PER_NUMBER = 2
"""Nodes per hashed number of an octave: about eight per period of its centre, four of its highest frequency, to
which its flank falls. What an interpolant between them leaves of their images is 25 dB below the law there."""

_SLOW_TOP_HZ = 250.0
"""A law that ends here or below is made of octaves throughout."""

_FAST_FROM_HZ = 125.0
"""Octaves centred above this are made at the sample rate when a law goes on beyond the slow top."""


def stream_key(seed: int, *place: int | str) -> int:
    """64-bit key of one random part, from the seed and the part's name and number."""
    words = [seed & 0xFFFFFFFF, seed >> 32]
    for part in place:
        words.append(part if isinstance(part, int) else zlib.crc32(part.encode()))
    return int(np.random.SeedSequence(words).generate_state(1, np.uint64)[0])


class Sine(NamedTuple):
    """``amplitude * cos(2 pi (rate_hz * t + cycles))``."""

    rate_hz: float
    amplitude: float
    cycles: float


class NoiseBand(NamedTuple):
    """Gaussian noise between two edges (-6 dB points), of a stated spectral slope.

    Attributes
    ----------
    key : int
        From :func:`stream_key`.
    low_hz, high_hz : float
        Edges. The lower may be 0 when the noise is not integrated.
    rms : float
        Standard deviation of the noise, before integration.
    slope_db_per_octave : float
        Slope of the power spectrum between the edges; 0 is flat.
    integrate : bool
        Deliver the integral over time (in seconds) of the noise instead of the noise. It is designed as a
        response, not accumulated, so it is stationary and bounded.
    """

    key: int
    low_hz: float
    high_hz: float
    rms: float
    slope_db_per_octave: float = 0.0
    integrate: bool = False


def band_shape(band: NoiseBand, frequencies: npt.NDArray[np.floating[Any]]) -> FloatArray:
    """Amplitude response of a band, not yet scaled: raised-cosine edges and a sloped top.

    The lower edge rises from 0.65 to 1.35 of `low_hz`, the upper falls from 0.85 to 1.15 of `high_hz`.
    """

    def rise(edge: float, width: float) -> FloatArray:
        place = np.clip((frequencies - edge) / (width * edge), -1.0, 1.0)
        return np.asarray(0.5 * (1.0 + np.sin(0.5 * np.pi * place)))

    shape = 1.0 - rise(band.high_hz, 0.15)
    if band.low_hz > 0.0:
        shape *= rise(band.low_hz, 0.35)
    if band.slope_db_per_octave:
        floor = band.low_hz if band.low_hz > 0.0 else 0.01 * band.high_hz
        octaves = np.log2(np.maximum(frequencies, 0.5 * floor) / band.high_hz)
        shape *= 10.0 ** (band.slope_db_per_octave * octaves / 20.0)
    return shape


def power_spectrum(band: NoiseBand, frequencies: npt.NDArray[np.floating[Any]]) -> FloatArray:
    """One-sided power density of the noise of a band (before integration), per Hz, as asked for."""
    grid = np.linspace(0.0, 1.2 * band.high_hz, 20001)
    total = np.trapezoid(band_shape(band, grid) ** 2, grid)
    return np.asarray(band.rms**2 / total * band_shape(band, frequencies) ** 2)


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

    Rows as :func:`tapeemu.dsp.kernels.modulation.fill_octaves` takes them. A cosine flank to each side of the law,
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
        centres = law.centres_hz[: law.slow_octaves]
        rates = [2.0 * law.ratio * centre * _NODES_PER_NUMBER for centre in centres]
        self._places = [_PerSample(Fraction(rate) / Fraction(sample_rate)) for rate in rates]
        words = np.random.SeedSequence(stream_key(law.key, "octaves"))
        self._keys = np.asarray(words.generate_state(len(centres), np.uint64), dtype=np.uint64)
        self._nodes = np.zeros(len(centres), dtype=np.int64)
        self._starts = np.zeros(len(centres))
        self._steps = step * np.array(rates) / sample_rate
        growth = 0.5 * (law.exponent + 1.0)
        deviations = _lowest_deviation(law) * (np.array(centres) / law.low_hz) ** growth
        self._taps = _octave_taps(law.ratio, law.exponent)
        self._value_scales = deviations / centres
        self._slope_scales = deviations / rates
        per_centre = math.sqrt(float(np.sum(self._taps[:_NODES_PER_NUMBER] ** 2)) / _NODES_PER_NUMBER)
        self.rms = per_centre * math.sqrt(float(np.sum(self._value_scales**2)))
        self._limit = 6.8 * self.rms
        self.bound = 8.0 * self.rms
        numbers = int(self._steps[-1] * points) // _NODES_PER_NUMBER + 3
        self._white = np.empty(numbers + _OCTAVE_TAPS - 1)
        self._planes = np.empty((2 * _NODES_PER_NUMBER, numbers))
        self._node_values = np.empty(_NODES_PER_NUMBER * numbers)
        self._node_slopes = np.empty_like(self._node_values)

    def fill(self, first: int, values: FloatArray, slopes: FloatArray) -> None:
        """Write values and slopes (per step) on a grid whose first point is sample `first`."""
        from tapeemu.dsp.kernels.modulation import fill_octaves

        nodes, starts = zip(*(place.split(first) for place in self._places), strict=True)
        self._nodes[:] = nodes
        self._starts[:] = starts
        fill_octaves(
            *(self._keys, self._nodes, self._starts, self._steps, self._value_scales, self._slope_scales),
            *(self._taps, self._white, self._planes, self._node_values, self._node_slopes, self._limit),
            *(values, slopes),
        )


def _lowest_deviation(law: RandomLaw) -> float:
    """Standard deviation of the lowest octave of a law, before integration."""
    grid = np.geomspace(1.0 / law.ratio, law.ratio, 129)
    flank = np.cos(0.5 * np.pi * np.log(grid) / math.log(law.ratio)) ** 2
    return math.sqrt(_law_scale(law) * law.low_hz * float(np.trapezoid(grid**law.exponent * flank, grid)))


class _Filter(NamedTuple):
    """What :class:`SlowNoise` filters with; spectra of `size` points."""

    taps: int
    size: int
    value: npt.NDArray[np.complex128]
    slope: npt.NDArray[np.complex128]
    rms: float


@lru_cache(maxsize=64)
def _slow_filter(band: NoiseBand) -> _Filter:
    """Design the kernel of a band and its derivative on the node grid.

    The kernel of the delivered quantity is windowed (Hann) to a finite support, so that a node depends on
    a finite number of hashed numbers. The slope is its exact derivative as a band-limited function. It is
    scaled such that the noise (the slope, when integrated) has the rms of the band exactly.
    """
    rate = _NODES_PER_PERIOD * band.high_hz
    lowest = band.low_hz if band.low_hz > 0.0 else 0.15 * band.high_hz
    taps = 2 * math.ceil(3.0 * rate / lowest) + 1
    size = 1 << (4 * taps - 1).bit_length()
    frequencies = np.fft.rfftfreq(size, 1.0 / rate)
    turn = 2j * np.pi * frequencies
    response = band_shape(band, frequencies).astype(np.complex128)
    if band.integrate:
        response[1:] /= turn[1:]
        response[0] = 0.0
    kernel = np.roll(np.fft.irfft(response, size), taps // 2)[:taps] * np.hanning(taps + 2)[1:-1]
    if band.integrate:
        kernel = 0.5 * (kernel - kernel[::-1])
    value = np.asarray(np.fft.rfft(kernel, size), dtype=np.complex128)
    slope = value * turn
    slope[-1] = 0.0
    noise = np.fft.irfft(slope if band.integrate else value, size)
    scale = band.rms / math.sqrt(float(np.sum(noise**2)))
    value *= scale
    rms = math.sqrt(float(np.sum(np.fft.irfft(value, size) ** 2)))
    return read_only(_Filter(taps, size, value, np.asarray(slope * (scale / rate)), rms))


class SlowNoise:
    """Band-limited noise on a node grid of twelve nodes per period of its highest frequency.

    Nodes carry the value and the exact slope, so that a cubic Hermite interpolant between them is within
    0.1 % of the value and 0.2 % of the slope at the upper band edge, and far better below it.

    Parameters
    ----------
    band : NoiseBand
        Edges, rms and key. `high_hz` / `low_hz` up to 200.

    Attributes
    ----------
    rms : float
        Standard deviation of what is delivered.
    bound : float
        Largest magnitude, eight standard deviations. Nodes are clipped at 6.8, which does not happen in
        practice; the interpolant may overshoot them by less than 1.2.
    rate_hz : float
        Nodes per second; node 0 is at time 0.
    """

    def __init__(self, band: NoiseBand) -> None:
        self.band = band
        self.rate_hz = _NODES_PER_PERIOD * band.high_hz
        self._filter = _slow_filter(band)
        self.rms = self._filter.rms
        self.bound = 8.0 * self.rms
        self._hop = self._filter.size - self._filter.taps + 1
        self._blocks: dict[int, tuple[FloatArray, FloatArray]] = {}

    def nodes(self, first: int, count: int) -> tuple[FloatArray, FloatArray]:
        """Values and slopes (per node spacing) of `count` nodes from index `first` on."""
        block, offset = divmod(first, self._hop)
        values, slopes = self._block(block)
        if offset + count <= self._hop:
            return values[offset : offset + count], slopes[offset : offset + count]
        parts = [(values[offset:], slopes[offset:])]
        missing = count - (self._hop - offset)
        while missing > 0:
            block += 1
            values, slopes = self._block(block)
            parts.append((values[:missing], slopes[:missing]))
            missing -= self._hop
        return np.concatenate([v for v, _ in parts]), np.concatenate([s for _, s in parts])

    def _block(self, block: int) -> tuple[FloatArray, FloatArray]:
        found = self._blocks.get(block)
        if found is None:
            from tapeemu.dsp.kernels.modulation import fill_noise

            filter_ = self._filter
            white = np.empty(filter_.size)
            fill_noise(np.uint64(self.band.key), block * self._hop - (filter_.taps - 1), white)
            spectrum = np.fft.rfft(white)
            found = (
                np.fft.irfft(spectrum * filter_.value, filter_.size)[filter_.taps - 1 :],
                np.fft.irfft(spectrum * filter_.slope, filter_.size)[filter_.taps - 1 :],
            )
            limit = 6.8 * self.rms
            np.clip(found[0], -limit, limit, out=found[0])
            _keep(self._blocks, block, found)
        return found


@lru_cache(maxsize=16)
def _upsampling_taps(factor: int, edge: float) -> npt.NDArray[np.float32]:
    """Least-squares taps, one row a phase, that raise the rate of a signal below `edge` (cycles per sample)."""
    offsets = np.arange(8) - 3
    fractions = np.arange(factor) / factor
    normal = np.sinc(2.0 * edge * (offsets[:, None] - offsets[None, :]))
    taps = solve_in_order(normal, np.sinc(2.0 * edge * (offsets[:, None] - fractions))).T
    return read_only(np.ascontiguousarray(taps, dtype=np.float32))


class FastSpectrum(NamedTuple):
    """Power density of what :class:`FastNoise` delivers.

    Attributes
    ----------
    key : int
        From :func:`stream_key`.
    highest_hz : float
        Nothing lies above.
    density : callable
        From frequencies (Hz, from 5 Hz up) to the one-sided power density per Hz.
    """

    key: int
    highest_hz: float
    density: Callable[[FloatArray], FloatArray]


def band_spectrum(band: NoiseBand) -> FastSpectrum:
    """Spectrum of a band of 50 Hz or more, integrated if it is to be."""

    def density(frequencies: FloatArray) -> FloatArray:
        power = power_spectrum(band, frequencies)
        return power / (2.0 * np.pi * frequencies) ** 2 if band.integrate else power

    return FastSpectrum(band.key, 1.15 * band.high_hz, density)


def upper_spectrum(law: RandomLaw) -> FastSpectrum:
    """Spectrum of the integral of a law less its slow octaves: it rises where the last of them falls."""
    reach = law.low_hz * law.ratio ** (law.slow_octaves - 1)

    def density(frequencies: FloatArray) -> FloatArray:
        power: FloatArray = law_density(law, frequencies)
        if law.slow_octaves:
            place = np.clip(np.log(frequencies / reach) / math.log(law.ratio), 0.0, 1.0)
            power = power * np.sin(0.5 * np.pi * place) ** 2
        return np.asarray(power / (2.0 * np.pi * frequencies) ** 2)

    return FastSpectrum(stream_key(law.key, "fast"), law.high_hz * law.ratio, density)


class FastNoise:
    """Noise of a given spectrum at the sample rate, from overlapping blocks with hashed phases.

    Each block of 0.2 s is one inverse transform of a spectrum with the magnitudes of the band and hashed
    phases; blocks overlap by 20 ms with sine and cosine edges, so the power is constant. Many independent
    phases make it Gaussian in practice. Blocks start at multiples of 180 ms (rounded to a sample), so the
    usual sample rates share one trajectory. Blocks are made at the sample rate over a power of two, at least
    3.7 times the highest frequency, and raised by eight taps a sample (images below -60 dB).

    Parameters
    ----------
    spectrum : FastSpectrum
        Key and power density, nothing of it below 50 Hz; what lies above 0.45 of the sample rate is left out.
    sample_rate : float
        Samples per second.

    Attributes
    ----------
    rms : float
        Standard deviation of what is delivered.
    bound : float
        Largest magnitude: blocks are clipped at eight standard deviations, which does not happen in practice.
    """

    _BLOCKS = 8
    """Blocks made together: the transform handles several at once faster than one after the other."""

    _EDGE = 0.27
    """Highest frequency over the rate at which blocks are made, when that is lower than the sample rate."""

    def __init__(self, spectrum: FastSpectrum, sample_rate: float) -> None:
        self._key = np.uint64(spectrum.key)
        highest = min(spectrum.highest_hz, 0.45 * sample_rate)
        self._factor = 1
        while highest <= self._EDGE * sample_rate / (2 * self._factor):
            self._factor *= 2
        rate = sample_rate / self._factor
        self._taps = _upsampling_taps(self._factor, self._EDGE)
        self._hop = round(0.18 * rate)
        self._edge = round(0.02 * rate)
        self._size = self._hop + self._edge
        spacing = rate / self._size
        bins = np.arange(1, int(highest / spacing) + 1)
        amplitudes = np.sqrt(2.0 * spacing * spectrum.density(np.asarray(bins * spacing, dtype=np.float64)))
        used = np.nonzero(amplitudes)[0]
        self._first_bin = int(bins[used[0]]) if used.size else 1
        self._magnitudes = 0.5 * self._size * amplitudes[self._first_bin - 1 :]
        self.rms = math.sqrt(0.5 * float(np.sum(amplitudes**2)))
        self._limit = np.float32(8.0 * self.rms)
        self.bound = float(self._limit * np.max(np.sum(np.abs(self._taps), axis=1)))
        phase = 0.5 * np.pi * (np.arange(self._edge) + 0.5) / self._edge
        self._window = np.sin(phase).astype(np.float32)
        self._circle = np.exp(2j * np.pi * np.arange(1024) / 1024).astype(np.complex64)
        self._scratch = np.empty((self._factor, 0), dtype=np.float32)
        self._spectra = np.zeros((self._BLOCKS, self._size // 2 + 1), dtype=np.complex64)
        self._runs: dict[int, npt.NDArray[np.float32]] = {}
        self._ends: dict[int, npt.NDArray[np.float32]] = {}

    def add(self, first: int, out: FloatArray) -> None:
        """Add the noise from sample index `first` on to `out`; both start and length are multiples of 16."""
        from tapeemu.dsp.kernels.modulation import add_upsampled

        count = out.size // self._factor
        if self._scratch.shape[1] != count:
            self._scratch = np.empty((self._factor, count), dtype=np.float32)
        low = self._low_rate(first // self._factor - 3, count + 7)
        add_upsampled(low, self._taps, self._scratch, out)

    def _low_rate(self, first: int, count: int) -> npt.NDArray[np.float32]:
        length = self._BLOCKS * self._hop
        run, offset = divmod(first, length)
        if offset + count <= length:
            return self._run(run)[offset : offset + count]
        parts = [self._run(run)[offset:]]
        while (missing := count - sum(part.size for part in parts)) > 0:
            run += 1
            parts.append(self._run(run)[:missing])
        return np.concatenate(parts)

    def _run(self, run: int) -> npt.NDArray[np.float32]:
        found = self._runs.get(run)
        if found is None:
            before = self._ends.get(run - 1)
            if before is None:
                before = self._make_blocks(run - 1)[-1, self._hop :].copy()
            blocks = self._make_blocks(run)
            found = blocks[:, : self._hop].copy()
            found[:, : self._edge] *= self._window
            blocks[:, self._hop :] *= self._window[::-1]
            found[1:, : self._edge] += blocks[:-1, self._hop :]
            found[0, : self._edge] += before * self._window[::-1]
            found = found.reshape(-1)
            np.clip(found, -self._limit, self._limit, out=found)
            _keep(self._runs, run, found)
        return found

    def _make_blocks(self, run: int) -> npt.NDArray[np.float32]:
        """Blocks of a run, before they are joined; always all at once, so that they never differ in a bit."""
        from scipy.fft import irfft

        from tapeemu.dsp.kernels.modulation import fill_spectra

        fill_spectra(self._key, run * self._BLOCKS, self._first_bin, self._magnitudes, self._circle, self._spectra)
        blocks: npt.NDArray[np.float32] = irfft(self._spectra, self._size, axis=-1)
        _keep(self._ends, run, blocks[-1, self._hop :].copy())
        return blocks


def _keep(cache: dict[int, Any], index: int, value: Any) -> None:
    """Put a value into a cache of the two newest."""
    while len(cache) > 1:
        del cache[next(iter(cache))]
    cache[index] = value


class Trajectory:
    """A sum of sines and noise, sampled at the audio rate, in anchored segments.

    Sines and slow noise are evaluated by value and slope on a grid of 2.75 kHz or more and interpolated:
    a sine of 200 Hz keeps its rate of change within 0.06 %, one of 20 Hz within 1e-6.

    Parameters
    ----------
    sines : sequence of Sine
        Rates up to 250 Hz.
    slow : sequence of NoiseBand
        Bands up to 250 Hz.
    fast : sequence of NoiseBand
        Bands from 50 Hz up.
    law : RandomLaw, optional
        Noise over many octaves; its integral is added.
    sample_rate : float
        Samples per second.
    scale : float
        Factor on everything, e.g. the sample rate to turn seconds into samples.

    Attributes
    ----------
    bound : float
        Largest magnitude: the sum of the peaks of the sines and of eight standard deviations a noise.
    peak : float
        The part of it that comes from the sines.
    """

    def __init__(
        self,
        *,
        sines: tuple[Sine, ...] = (),
        slow: tuple[NoiseBand, ...] = (),
        fast: tuple[NoiseBand, ...] = (),
        law: RandomLaw | None = None,
        sample_rate: float,
        scale: float = 1.0,
    ) -> None:
        self.sample_rate = sample_rate
        self._step = 1
        while sample_rate / (2 * self._step) >= _SLOWEST_GRID_HZ:
            self._step *= 2
        self._rate = Fraction(sample_rate)
        self._sines = [
            (
                scale * sine.amplitude,
                _PerSample(Fraction(sine.rate_hz) / self._rate),
                sine.cycles,
                self._step * sine.rate_hz / sample_rate,
            )
            for sine in sines
            if sine.amplitude != 0.0
        ]
        self._slow = []
        for band in slow:
            if band.rms > 0.0:
                noise = SlowNoise(band._replace(rms=scale * band.rms))
                place = _PerSample(Fraction(noise.rate_hz) / self._rate)
                self._slow.append((noise, place, self._step * noise.rate_hz / sample_rate))
        fastest = [band_spectrum(band._replace(rms=scale * band.rms)) for band in fast if band.rms > 0.0]
        self._values = np.empty(SEGMENT // self._step + 8)  # one more than intervals, in whole groups of eight
        self._slopes = np.empty_like(self._values)
        self._octaves: OctaveNoise | None = None
        if law is not None and law.rms > 0.0:
            law = law._replace(rms=scale * law.rms)
            if law.slow_octaves:
                self._octaves = OctaveNoise(law, sample_rate, self._step, self._values.size)
            if law.slow_octaves <= law.octaves:
                fastest.append(upper_spectrum(law))
        self._fast = [FastNoise(spectrum, sample_rate) for spectrum in fastest]
        self.peak = sum(abs(amplitude) for amplitude, *_ in self._sines)
        self.bound = self.peak + (self._octaves.bound if self._octaves is not None else 0.0)
        self.bound += sum(noise.bound for noise, *_ in self._slow) + sum(noise.bound for noise in self._fast)
        self._lanes = np.empty((2, 8))
        self._out = np.empty(SEGMENT)
        self._index: int | None = None

    @property
    def is_zero(self) -> bool:
        """Whether nothing ever moves."""
        return not (self._sines or self._slow or self._fast) and self._octaves is None

    def segment(self, index: int) -> FloatArray:
        """Samples ``index * SEGMENT`` to ``(index + 1) * SEGMENT - 1``.

        The array belongs to the trajectory: it is not to be written to, and the next call may overwrite it.
        """
        if index != self._index:
            self._compute(index)
            self._index = index
        return self._out

    def values(self, first: int, count: int) -> FloatArray:
        """Samples `first` to ``first + count - 1`` as a new array."""
        return _collected(self, first, count)

    def _compute(self, index: int) -> None:
        from tapeemu.dsp.kernels.modulation import add_nodes, add_phasor, expand

        first = index * SEGMENT
        values, slopes = self._values, self._slopes
        if self._octaves is not None:
            self._octaves.fill(first, values, slopes)
        else:
            values.fill(0.0)
            slopes.fill(0.0)
        for amplitude, turns, cycles, per_step in self._sines:
            add_phasor(amplitude, turns.part(first) + cycles, per_step, self._lanes, values, slopes)
        for noise, place, per_step in self._slow:
            node, fraction = place.split(first)
            node_values, node_slopes = noise.nodes(node, int(fraction + per_step * (values.size - 1)) + 3)
            add_nodes(node_values, node_slopes, fraction, per_step, values, slopes)
        expand(values, slopes, self._step, self._out)
        for fast in self._fast:
            fast.add(first, self._out)


class SettledTrajectory:
    """A trajectory that is exactly zero at index 0, and the given one plus a constant from some time on.

    What the sum of trajectory and constant is at index 0 is taken off there, and less and less of it on the way
    from there, in both directions, along a cubic whose slope never exceeds `fastest`. It remains a function of
    the absolute index alone.

    Parameters
    ----------
    trajectory : Trajectory
        What is settled.
    constant : float
        Added to it everywhere.
    fastest : float
        Largest change per sample that settling may add; above 0 if anything is to be settled.

    Attributes
    ----------
    settling_samples : float
        From this distance from index 0 on nothing is taken off any more; zero if nothing ever is.
    bound : float
        Largest magnitude. Noise at index 0 and later together are clipped at eight standard deviations, which
        does not happen in practice; sines may be all at one end there and all at the other later.
    """

    def __init__(self, trajectory: Trajectory, *, constant: float = 0.0, fastest: float) -> None:
        self._trajectory = trajectory
        self._constant = constant
        self._start = 0.0 if trajectory.is_zero else float(trajectory.segment(0)[0])
        self._start += constant
        # 1 - u**2 (3 - 2 u) falls by at most 1.5 per unit.
        self.settling_samples = 1.5 * abs(self._start) / fastest if self._start else 0.0
        self.bound = trajectory.bound + trajectory.peak + abs(constant)
        self._out = np.empty(SEGMENT)
        self._index: int | None = None

    @property
    def is_zero(self) -> bool:
        """Whether nothing ever moves."""
        return self._trajectory.is_zero and self._constant == 0.0

    def segment(self, index: int) -> FloatArray:
        """Samples of a segment, as :meth:`Trajectory.segment` gives them."""
        nearest = max(index, -index - 1) * SEGMENT
        settled = nearest >= self.settling_samples
        if settled and self._constant == 0.0:
            return self._trajectory.segment(index)
        if index != self._index:
            from tapeemu.dsp.kernels.modulation import settle

            np.add(self._trajectory.segment(index), self._constant, out=self._out)
            if not settled:
                settle(float(index * SEGMENT), 1.0 / self.settling_samples, self._start, self._out)
                np.clip(self._out, -self.bound, self.bound, out=self._out)
            self._index = index
        return self._out

    def values(self, first: int, count: int) -> FloatArray:
        """Samples `first` to ``first + count - 1`` as a new array."""
        return _collected(self, first, count)


def _collected(source: "Trajectory | SettledTrajectory", first: int, count: int) -> FloatArray:
    out = np.empty(count)
    done = 0
    while done < count:
        index, offset = divmod(first + done, SEGMENT)
        some = min(count - done, SEGMENT - offset)
        out[done : done + some] = source.segment(index)[offset : offset + some]
        done += some
    return out


class _PerSample:
    """An exact rate per sample: where sample `n` stands, split into whole and fraction."""

    def __init__(self, rate: Fraction) -> None:
        self._numerator, self._denominator = rate.numerator, rate.denominator

    def split(self, sample: int) -> tuple[int, float]:
        whole, rest = divmod(sample * self._numerator, self._denominator)
        return whole, rest / self._denominator

    def part(self, sample: int) -> float:
        return (sample * self._numerator % self._denominator) / self._denominator


def exceeded_level(amplitudes: Any, rms: float, *, share: float = 0.05) -> float:
    """Level that the magnitude of a sum of sines and Gaussian noise exceeds for a share of the time.

    The sines are taken as independent (rates without a common period). Their sum is sampled at 2**14
    quasi-random sets of phases; for each, the Gaussian tail is exact, so only the sines are sampled: the
    result is within 0.1 % of the exact one for one to six sines.

    Parameters
    ----------
    amplitudes : array_like
        Peaks of the sines.
    rms : float
        Standard deviation of the noise.
    share : float
        Share of the time, 0 to 1; 0.05 gives the figure called two-sigma.

    Returns
    -------
    float
        The level, in the unit of the arguments.
    """
    peaks = np.abs(np.asarray(amplitudes, dtype=np.float64))
    peaks = peaks[peaks > 0.0]
    if not peaks.size:
        return rms * TWO_SIGMA if share == 0.05 else rms * _gaussian_level(share)
    total = _sum_of_sines(peaks)
    if rms <= 1e-6 * float(peaks.max()):
        return float(np.quantile(np.abs(total), 1.0 - share))
    from scipy.optimize import brentq
    from scipy.special import erfc

    norm = 1.0 / (rms * math.sqrt(2.0))

    def excess(level: float) -> float:
        tails = erfc((level - total) * norm) + erfc((level + total) * norm)
        return float(0.5 * np.mean(tails)) - share

    return float(brentq(excess, 0.0, float(peaks.sum()) + 10.0 * rms, xtol=1e-9 * (float(peaks.sum()) + rms)))


def _gaussian_level(share: float) -> float:
    from statistics import NormalDist

    return NormalDist().inv_cdf(1.0 - 0.5 * share)


def _sum_of_sines(peaks: FloatArray) -> FloatArray:
    """Sum of sines at evenly spread sets of phases: an additive sequence on the generalised golden ratio."""
    count = 1 << 14
    root = 1.5
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / (peaks.size + 1))
    steps = root ** -np.arange(1.0, peaks.size + 1.0)
    phases = (0.5 + np.arange(count)[:, None] * steps) % 1.0
    # Not a matrix product: its library adds in another order on another number of threads.
    return np.asarray(np.sum(np.cos(2.0 * np.pi * phases) * peaks, axis=-1))
