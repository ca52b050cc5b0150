"""Trajectories of any sines and noises, made by the kernels, by any stretch."""

from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels import noise_spectrum, octave_noise, trajectories
from tapeemu.dsp.noises import NoiseBand, RandomLaw
from tapeemu.dsp.trajectory import SEGMENT, collect

Noise = NoiseBand | RandomLaw


class Sine(NamedTuple):
    """``amplitude * cos(2 pi (rate_hz * t + cycles))``."""

    rate_hz: float
    amplitude: float
    cycles: float


class Settling(NamedTuple):
    """How a trajectory begins at exactly zero at index 0, and is the sum of its parts and a constant later.

    Attributes
    ----------
    constant : float
        Added everywhere.
    fastest : float
        Largest change per sample that settling may add; above 0 if anything is to be settled.
    """

    constant: float
    fastest: float


class Trajectory:
    """A sum of sines and noise, sampled at the audio rate, in anchored segments.

    Parameters
    ----------
    sines : sequence of Sine
        Rates up to 250 Hz.
    noises : sequence of NoiseBand or RandomLaw
        The noise.
    sample_rate : float
        Samples per second.
    scale : float
        Factor on sines and noises, e.g. the sample rate to turn seconds into samples.
    settling : Settling, optional
        Begin at zero at index 0.

    Attributes
    ----------
    bound : float
        Largest magnitude: the sum of the peaks of the sines (twice, if it settles), of eight standard deviations a
        noise, and of the constant; 0 if nothing ever moves.
    peak : float
        The sum of the peaks of the sines.
    settling_samples : float
        From this distance from index 0 on nothing is taken off any more; zero if nothing ever is.
    """

    def __init__(
        self,
        *,
        sines: tuple[Sine, ...] = (),
        noises: tuple[Noise, ...] = (),
        sample_rate: float,
        scale: float = 1.0,
        settling: Settling | None = None,
    ) -> None:
        kernels = trajectories
        self._memory = _memory(sines, noises, sample_rate)
        self._kernels = kernels
        self._out = np.empty(SEGMENT)
        self._index: int | None = None
        kernels.begin_trajectory(float(sample_rate), self._memory)
        for number, sine in enumerate(sines):
            kernels.set_sine(number, float(sine.rate_hz), scale * sine.amplitude, float(sine.cycles), self._memory)
        for number, noise in enumerate(noises):
            law = isinstance(noise, RandomLaw)
            kernels.set_noise(
                number,
                0 if law else 1,
                np.uint64(noise.key),
                float(noise.low_hz),
                float(noise.high_hz),
                scale * noise.rms,
                float(noise.slope_db_per_octave) if isinstance(noise, RandomLaw) else 0.0,
                True if isinstance(noise, RandomLaw) else noise.integrate,
                self._memory,
            )
        if settling is not None:
            kernels.settle_trajectory(settling.constant, settling.fastest, self._memory, self._out)
        self.bound = float(self._memory.plan[kernels.BOUND])
        self.peak = float(self._memory.plan[kernels.PEAK])
        self.settling_samples = float(self._memory.plan[kernels.SETTLING])

    def segment(self, index: int) -> np.ndarray:
        """Samples ``index * SEGMENT`` to ``(index + 1) * SEGMENT - 1``.

        The array belongs to the trajectory: it is not to be written to, and the next call may overwrite it.
        """
        if index != self._index:
            self._kernels.fill_trajectory(self._memory, np.int64(index), np.uint64(0), self._out)
            self._index = index
        return self._out

    def piece(self, number: int) -> np.ndarray:
        """Samples from ``number * PIECE`` on, as a stream makes them."""
        out = np.empty(self._kernels.PIECE)
        self._kernels.fill_piece(self._memory, np.int64(number), 0, np.uint64(0), out)
        return out

    def nodes_made(self, number: int) -> int:
        """How many nodes a piece makes: those that are held behind it and are not what was put there before it."""
        noises = self._memory.noises
        noises.nodes[:] = 12345.0
        self.piece(number)
        pairs = noises.held[:, 1]
        return sum(int(np.sum(row[: 2 * held] != 12345.0)) for row, held in zip(noises.nodes, pairs, strict=True))

    def values(self, first: int, count: int) -> np.ndarray:
        """Samples `first` to ``first + count - 1`` as a new array."""
        return collect(self.segment, first, count)


def _memory(sines: tuple[Sine, ...], noises: tuple[Noise, ...], sample_rate: float) -> trajectories.Trajectory:
    octaves, highest = 0, 0.0
    for noise in noises:
        kind = 0 if isinstance(noise, RandomLaw) else 1
        edges = (kind, float(noise.low_hz), float(noise.high_hz), float(sample_rate))
        octaves += octave_noise.noise_octaves(*edges)
        highest = max(highest, noise_spectrum.noise_highest(*edges))
    shapes = np.ones((17, 3), dtype=np.int64)
    trajectories.trajectory_shapes(len(sines), len(noises), octaves, highest, float(sample_rate), 1, shapes, 0)
    rows = iter(shapes)
    float64, uint64, int64 = np.dtype(np.float64), np.dtype(np.uint64), np.dtype(np.int64)

    def array(kind: "np.dtype[np.generic]", dimensions: int) -> "np.ndarray":
        return np.zeros(next(rows)[:dimensions], dtype=kind)

    return trajectories.Trajectory(
        plan=array(float64, 1),
        turns=array(uint64, 2),
        sines=array(float64, 2),
        lanes=array(float64, 2),
        curve=array(float64, 2),
        stands=array(int64, 2),
        variants=array(uint64, 1),
        noises=octave_noise.Noises(
            keys=array(uint64, 1),
            rates=array(uint64, 2),
            layout=array(int64, 2),
            values=array(float64, 2),
            taps=array(float64, 2),
            spans=array(int64, 2),
            held=array(int64, 2),
            numbers=array(float64, 2),
            nodes=array(float64, 2),
            cubics=array(float64, 2),
        ),
    )
