"""Gaussian noise in a band, on nodes that can be computed at any place of the tape in any order.

Each node is a filtered sequence of hashed numbers, by overlap-save (common practice).
"""

import math
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from tapeemu.dsp.shared_tables import keep_newest, read_only
from tapeemu.validation import FloatArray

__all__ = ["NoiseBand", "SlowNoise", "band_shape", "power_spectrum"]

_NODES_PER_PERIOD = 12
"""Nodes per period of the highest frequency of a slow band."""


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
            from tapeemu.dsp.kernels.hashing import fill_white

            filter_ = self._filter
            white = np.empty(filter_.size)
            fill_white(np.uint64(self.band.key), np.int64(block * self._hop - (filter_.taps - 1)), white)
            spectrum = np.fft.rfft(white)
            found = (
                np.fft.irfft(spectrum * filter_.value, filter_.size)[filter_.taps - 1 :],
                np.fft.irfft(spectrum * filter_.slope, filter_.size)[filter_.taps - 1 :],
            )
            limit = 6.8 * self.rms
            np.clip(found[0], -limit, limit, out=found[0])
            keep_newest(self._blocks, block, found)
        return found
