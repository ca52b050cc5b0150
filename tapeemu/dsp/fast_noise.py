"""Gaussian noise at the sample rate, of any spectrum from 50 Hz up, from blocks with hashed phases."""

import math
from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tapeemu.dsp.linear_systems import solve_in_order
from tapeemu.dsp.noise_band import NoiseBand, power_spectrum
from tapeemu.dsp.random_law import RandomLaw, law_density
from tapeemu.dsp.shared_tables import keep_newest, read_only
from tapeemu.dsp.tape_position import Purpose, stream_key
from tapeemu.units import seconds_to_samples
from tapeemu.validation import FloatArray

__all__ = ["FastNoise", "FastSpectrum", "band_spectrum", "upper_spectrum"]


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

    return FastSpectrum(stream_key(law.key, Purpose.PLACE, -1), law.high_hz * law.ratio, density)


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
        self._hop = seconds_to_samples(0.18, rate)
        self._edge = seconds_to_samples(0.02, rate)
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
        circle = np.exp(2j * np.pi * np.arange(1024) / 1024).astype(np.complex64)
        self._circle = circle.view(np.float32).reshape(-1, 2)
        self._scratch = np.empty((self._factor, 0), dtype=np.float32)
        self._spectra = np.zeros((self._BLOCKS, self._size // 2 + 1), dtype=np.complex64)
        self._runs: dict[int, npt.NDArray[np.float32]] = {}
        self._ends: dict[int, npt.NDArray[np.float32]] = {}

    def add(self, first: int, out: FloatArray) -> None:
        """Add the noise from sample index `first` on to `out`; both start and length are multiples of 16."""
        from tapeemu.dsp.kernels.noise import add_upsampled

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
            keep_newest(self._runs, run, found)
        return found

    def _make_blocks(self, run: int) -> npt.NDArray[np.float32]:
        """Blocks of a run, before they are joined; always all at once, so that they never differ in a bit."""
        from scipy.fft import irfft

        from tapeemu.dsp.kernels.noise import fill_spectra

        parts = self._spectra.view(np.float32).reshape(*self._spectra.shape, 2)
        fill_spectra(self._key, run * self._BLOCKS, self._first_bin, self._magnitudes, self._circle, parts)
        blocks: npt.NDArray[np.float32] = irfft(self._spectra, self._size, axis=-1)
        keep_newest(self._ends, run, blocks[-1, self._hop :].copy())
        return blocks
