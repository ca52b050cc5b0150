"""Phase of a recorded tone as the time base of its harmonics.

A tone that comes off a tape is not steady: its frequency wanders, and a fit of fixed frequencies loses
the smeared harmonics. Here the phase of the strongest tone is demodulated and becomes the time base:
harmonic ``k`` is fitted as ``cos(k * phase(t))``, which follows the speed fluctuation exactly (what
shifts the tone by one part in a thousand shifts all of its harmonics by the same) and still averages
the noise over the whole recording, as a fit of fixed frequencies would.
"""

import math
from dataclasses import dataclass

import numpy as np

from measure.parts.line_solver import edge_weights
from measure.validation import FloatArray

__all__ = ["MIN_PERIODS", "STOPBAND_DB", "TimeBase", "image_gain", "time_base", "track_phase", "tracked_band_hz"]

MIN_PERIODS = 8
"""Fewer periods than these are a trend, not a tone."""

STOPBAND_DB = 140.0
"""How far the demodulating filter holds down what lies beyond its stop edge: so far that the second harmonic of a
fully clipped tone moves the phase by less than a part in a million."""

# Flutter is specified to 200 Hz; faster phase modulation stays outside the time base.
_MAX_TRACKED_RATE_HZ = 250.0


@dataclass(frozen=True, kw_only=True, eq=False)
class TimeBase:
    """Phase of a tone over a part of a recording.

    Attributes
    ----------
    found_hz : float
        Where the strongest line of the spectrum is.
    phase : ndarray, shape (samples,)
        Phase of the tone in radians, unwrapped.
    envelope : ndarray, shape (samples,)
        Amplitude of the tone; empty where the frequency is taken as fixed.
    start : int
        Sample of the recording at which the part begins.
    sample_rate : float
        Samples per second.
    """

    found_hz: float
    phase: FloatArray
    envelope: FloatArray
    start: int
    sample_rate: float

    @property
    def tracked(self) -> bool:
        """Whether the phase follows the tone; false for one fixed frequency."""
        return self.envelope.size > 0

    @property
    def mean_hz(self) -> float:
        """Mean frequency, from the straight line of least squares through the phase."""
        n = len(self.phase)
        moment = np.arange(float(n)) - 0.5 * (n - 1)
        slope = float(np.sum(moment * self.phase) / np.sum(moment**2))
        return slope * self.sample_rate / (2.0 * np.pi)

    @property
    def seconds(self) -> float:
        """Length of the part."""
        return len(self.phase) / self.sample_rate

    def part(self, signal: FloatArray) -> FloatArray:
        """The part of the recording that has a phase."""
        return signal[self.start : self.start + len(self.phase)]


def time_base(signal: FloatArray, sample_rate: float, *, frequency_hz: float) -> TimeBase:
    """Follow the phase of a tone, or take its frequency as fixed where the recording is too short for that.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Real, finite.
    sample_rate : float
        Samples per second.
    frequency_hz : float
        Where the strongest line of the spectrum is.
    """
    # A steady component is an image too, at the distance of the tone itself.
    phase, envelope, start = track_phase(
        signal - np.mean(signal), sample_rate, frequency_hz=frequency_hz, neighbour_hz=frequency_hz
    )
    if len(phase) < 0.5 * len(signal) or len(phase) * frequency_hz / sample_rate < MIN_PERIODS:
        refined = _refine(signal, sample_rate, frequency_hz)
        phase = 2.0 * np.pi * refined / sample_rate * np.arange(float(len(signal)))
        envelope, start = np.empty(0), 0
    return TimeBase(found_hz=frequency_hz, phase=phase, envelope=envelope, start=start, sample_rate=sample_rate)


def track_phase(
    signal: FloatArray, sample_rate: float, *, frequency_hz: float, neighbour_hz: float
) -> tuple[FloatArray, FloatArray, int]:
    """Demodulate one tone.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Real, finite.
    sample_rate : float
        Samples per second.
    frequency_hz : float
        Where the tone is.
    neighbour_hz : float
        Distance to the nearest other component; phase modulation faster than 0.3 of it is not followed.

    Returns
    -------
    phase : ndarray
        Unwrapped phase in radians, without the ends where the filter has not settled; empty when the
        signal is too short.
    envelope : ndarray
        Amplitude of the tone over the same samples.
    start : int
        Index in `signal` of the first entry.

    Notes
    -----
    The filter is linear in phase, so the tone keeps its place in time. Kaiser's formula gives its length.
    """
    from scipy.signal import oaconvolve

    taps = _taps(frequency_hz, neighbour_hz, sample_rate)
    if len(signal) < taps + 4:
        return np.empty(0), np.empty(0), 0
    low_pass = _low_pass(taps, neighbour_hz, sample_rate)
    omega = 2.0 * np.pi * frequency_hz / sample_rate
    carrier = np.exp(-1j * omega * np.arange(len(signal)))
    demodulated = oaconvolve(signal * carrier, low_pass, mode="valid")
    start = taps // 2
    moment = np.arange(start, start + len(demodulated))
    return np.unwrap(np.angle(demodulated)) + omega * moment, 2.0 * np.abs(demodulated), start


def tracked_band_hz(frequency_hz: float, neighbour_hz: float) -> float:
    """Return the fastest phase modulation that the time base follows."""
    return min(_MAX_TRACKED_RATE_HZ, 0.3 * neighbour_hz, 0.3 * frequency_hz)


def image_gain(frequency_hz: float, sample_rate: float) -> float:
    """Return what the demodulating filter leaves of the tone's image at twice its frequency, re the tone."""
    low_pass = _low_pass(_taps(frequency_hz, frequency_hz, sample_rate), frequency_hz, sample_rate)
    turn = 4.0 * np.pi * frequency_hz / sample_rate * np.arange(len(low_pass))
    return abs(complex(np.sum(low_pass * np.exp(1j * turn))))


def _taps(frequency_hz: float, neighbour_hz: float, sample_rate: float) -> int:
    transition_hz = neighbour_hz - 2.0 * tracked_band_hz(frequency_hz, neighbour_hz)
    return math.ceil((STOPBAND_DB - 7.95) / (2.285 * 2.0 * np.pi * transition_hz / sample_rate)) | 1


def _low_pass(taps: int, neighbour_hz: float, sample_rate: float) -> FloatArray:
    offsets = np.arange(taps) - taps // 2
    low_pass = np.kaiser(taps, 0.1102 * (STOPBAND_DB - 8.7)) * np.sinc(offsets * (neighbour_hz / sample_rate))
    return np.asarray(low_pass / low_pass.sum())


def _refine(signal: FloatArray, rate: float, frequency_hz: float) -> float:
    """Frequency of a short tone by Gauss-Newton on frequency, amplitudes and phases together (IEEE 1057)."""
    n = len(signal)
    moment = np.arange(n) - 0.5 * (n - 1)
    weights = edge_weights(n)
    harmonics = max(1, min(10, int((0.5 * rate - 4.0 * rate / n) / frequency_hz)))
    order = np.arange(1, harmonics + 1)[:, None]
    omega = 2.0 * np.pi * frequency_hz / rate

    def least_squares(columns: FloatArray) -> FloatArray:
        gram = np.einsum("in,jn->ij", columns * weights, columns)
        return np.asarray(np.linalg.solve(gram, (columns * (weights * signal)).sum(axis=1)))

    for _ in range(6):
        cosines, sines = np.cos(order * omega * moment), np.sin(order * omega * moment)
        flat = np.concatenate([np.ones((1, n)), cosines, sines])
        solution = least_squares(flat)
        a, b = solution[1 : harmonics + 1, None], solution[harmonics + 1 :, None]
        # Scaled by the length, so that the columns are of one size.
        slope = np.sum(order * (moment / n) * (b * cosines - a * sines), axis=0)
        scale = float(np.max(np.abs(slope)))
        if not scale > 0.0:
            break
        step = float(least_squares(np.concatenate([flat, slope[None] / scale]))[-1]) / (scale * n)
        omega += float(np.clip(step, -np.pi / n, np.pi / n))
        if abs(step) < 1e-12 * omega:
            break
    return omega * rate / (2.0 * np.pi)
