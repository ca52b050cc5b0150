"""Trajectories that belong to the tape: any stretch of them can be computed at any time, in any order.

A trajectory is a sum of sines (rotating parts) and of Gaussian noise, in bands or along one law over many
octaves. It is a function of the absolute sample index and of keys derived from the seed, and of nothing else:
sines are evaluated from the exact number of turns modulo one (integer arithmetic), noise is shaped from a
counter-based hash of its own node index. Hour ten costs what second one costs and is as exact.

Everything is defined in time, so the same key gives the same trajectory at every sample rate.

Slow noise is in :mod:`tapeemu.dsp.noise_band` and :mod:`tapeemu.dsp.random_law`, noise at the sample rate in
:mod:`tapeemu.dsp.fast_noise`. Cubic Hermite interpolation: common practice.
"""

from collections.abc import Callable
from fractions import Fraction
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.fast_noise import FastNoise, band_spectrum, upper_spectrum
from tapeemu.dsp.noise_band import NoiseBand, SlowNoise
from tapeemu.dsp.random_law import OctaveNoise, RandomLaw
from tapeemu.dsp.tape_position import ExactRate
from tapeemu.validation import FloatArray

__all__ = ["SEGMENT", "SettledTrajectory", "Sine", "Trajectory", "collect"]

SEGMENT = 32_768
"""Samples in one piece of a trajectory; pieces start at its multiples, so block sizes cannot matter."""

_SLOWEST_GRID_HZ = 2750.0
"""Sines and slow noise are evaluated at this rate or above, then interpolated."""


class Sine(NamedTuple):
    """``amplitude * cos(2 pi (rate_hz * t + cycles))``."""

    rate_hz: float
    amplitude: float
    cycles: float


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
        Largest magnitude: the sum of the peaks of the sines and of eight standard deviations a noise; 0 if
        nothing ever moves.
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
                ExactRate(Fraction(sine.rate_hz) / self._rate),
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
                place = ExactRate(Fraction(noise.rate_hz) / self._rate)
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
        return collect(self.segment, first, count)

    def _compute(self, index: int) -> None:
        from tapeemu.dsp.kernels.noise import add_nodes
        from tapeemu.dsp.kernels.sines import add_phasor
        from tapeemu.dsp.kernels.trajectories import expand

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
        self._start = float(trajectory.segment(0)[0]) if trajectory.bound else 0.0
        self._start += constant
        # 1 - u**2 (3 - 2 u) falls by at most 1.5 per unit.
        self.settling_samples = 1.5 * abs(self._start) / fastest if self._start else 0.0
        self.bound = trajectory.bound + trajectory.peak + abs(constant)
        self._out = np.empty(SEGMENT)
        self._index: int | None = None

    def segment(self, index: int) -> FloatArray:
        """Samples of a segment, as :meth:`Trajectory.segment` gives them."""
        nearest = max(index, -index - 1) * SEGMENT
        settled = nearest >= self.settling_samples
        if settled and self._constant == 0.0:
            return self._trajectory.segment(index)
        if index != self._index:
            from tapeemu.dsp.kernels.trajectories import settle

            np.add(self._trajectory.segment(index), self._constant, out=self._out)
            if not settled:
                settle(float(index * SEGMENT), 1.0 / self.settling_samples, self._start, self._out)
                np.clip(self._out, -self.bound, self.bound, out=self._out)
            self._index = index
        return self._out

    def values(self, first: int, count: int) -> FloatArray:
        """Samples `first` to ``first + count - 1`` as a new array."""
        return collect(self.segment, first, count)


def collect(segment: Callable[[int], FloatArray], first: int, count: int) -> FloatArray:
    """Any stretch of what is computed by segments, as a new array.

    Parameters
    ----------
    segment : callable
        From the number of a segment to its SEGMENT values.
    first, count : int
        Absolute index of the first value, of any size and sign, and how many.

    Returns
    -------
    ndarray, shape (count,)
    """
    out = np.empty(count)
    done = 0
    while done < count:
        index, offset = divmod(first + done, SEGMENT)
        some = min(count - done, SEGMENT - offset)
        out[done : done + some] = segment(index)[offset : offset + some]
        done += some
    return out
