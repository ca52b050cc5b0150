"""Signals with exactly known contents: tones, modulated tones, pairs, steps of level, sweeps, interrupted noise.

Levels are those of digital audio: a sine of amplitude 1 has 0 dBFS (AES17), and so has a noise of the same
RMS.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from measure.errors import MeasureError
from measure.validation import FloatArray, check_rate, check_signal

__all__ = [
    "BURST_SECONDS",
    "LevelSteps",
    "Modulation",
    "NoiseBurst",
    "SynchronisedSweep",
    "burst_pulse",
    "level_steps",
    "modulated_tone",
    "noise_burst",
    "pink_burst",
    "print_through_burst",
    "steady_tone",
    "synchronised_sweep",
    "tone",
    "two_tones",
]

BURST_SECONDS = 0.1
"""How long the short tone of print-through lasts."""


@dataclass(frozen=True, kw_only=True)
class Modulation:
    """One sinusoidal modulation: ``peak_percent * sin(2 pi rate_hz t + phase_radians)``.

    Attributes
    ----------
    rate_hz : float
        Frequency of the modulation, above zero.
    peak_percent : float
        Peak deviation from the mean, in hundredths of the mean.
    phase_radians : float
        Phase at the first sample.
    """

    rate_hz: float
    peak_percent: float
    phase_radians: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.rate_hz) and self.rate_hz > 0.0):
            raise MeasureError(f"rate_hz is {self.rate_hz!r}, but must be finite and above zero")


@dataclass(frozen=True, kw_only=True, eq=False)
class SynchronisedSweep:
    """An exponential sine sweep whose harmonic responses come out with their true phases.

    Attributes
    ----------
    signal : ndarray, shape (samples,)
        Sweep with faded ends, followed by silence for the tail.
    sample_rate : float
        Samples per second.
    low_hz, high_hz : float
        Range within which the amplitude is full.
    start_hz, stop_hz : float
        First and last instantaneous frequency.
    rate_seconds : float
        The sweep's time constant L: frequency grows by e every L seconds, and harmonic k of what a system
        adds precedes the linear response by ``L ln k``.
    sweep_seconds, tail_seconds : float
        Durations of sweep and silence.
    level_dbfs : float
        Level of the sine.

    Notes
    -----
    Novak, Lotton, Simon, "Synchronized swept-sine: theory, application, and implementation", JAES 63(10),
    2015: the sweep is ``sin(2 pi f1 L exp(t / L))`` with ``f1 L`` a whole number.
    """

    signal: FloatArray
    sample_rate: float
    low_hz: float
    high_hz: float
    start_hz: float
    stop_hz: float
    rate_seconds: float
    sweep_seconds: float
    tail_seconds: float
    level_dbfs: float

    def check_recording(self, recording: "npt.ArrayLike") -> FloatArray:
        """Return what came back as float64.

        Raises
        ------
        MeasureError
            If its type or shape is wrong, or it is not as long as the sweep with its tail.
        """
        samples = check_signal(recording)
        if len(samples) != len(self.signal):
            raise MeasureError(
                f"the recording has {len(samples)} samples, but the sweep has {len(self.signal)}; cut or pad it"
            )
        return samples

    def check_reference(self, reference_hz: float, *, read_from_hz: float) -> None:
        """Refuse a reference frequency outside what is read of the sweep."""
        if not read_from_hz <= reference_hz <= self.high_hz:
            raise MeasureError(
                f"reference_hz is {reference_hz!r}, but must lie in the swept band, {read_from_hz:g} to "
                f"{self.high_hz:g} Hz"
            )

    def inverse_spectrum(self, size: int) -> npt.NDArray[np.complex128]:
        """One over the spectrum of the endless sweep at the bins of a real transform of `size` samples.

        By stationary phase (equation 42 of the paper); it stands for all frequencies, so that harmonics
        above the last frequency of the sweep are deconvolved too.
        """
        f = np.fft.rfftfreq(size, 1.0 / self.sample_rate)
        f[0] = 1.0
        length = self.rate_seconds
        phase = -2.0 * np.pi * f * length * (1.0 - np.log(f / self.start_hz)) + 0.25 * np.pi
        inverse = 2.0 * np.sqrt(f / length) * np.exp(1j * phase) / self.sample_rate
        inverse[0] = 0.0
        return np.asarray(inverse * 10.0 ** (-self.level_dbfs / 20.0))


@dataclass(frozen=True, kw_only=True, eq=False)
class NoiseBurst:
    """Steady Gaussian noise that stops.

    Attributes
    ----------
    signal : ndarray, shape (samples,)
        Noise, then silence.
    sample_rate : float
        Samples per second.
    stop : int
        First silent sample.
    level_dbfs : float
        RMS level of the noise.
    seed : int
        Where the noise came from.
    """

    signal: FloatArray
    sample_rate: float
    stop: int
    level_dbfs: float
    seed: int


@dataclass(frozen=True, kw_only=True, eq=False)
class LevelSteps:
    """One tone at rising levels.

    Attributes
    ----------
    signal : ndarray, shape (samples,)
        The steps, joined without a jump of phase.
    sample_rate, frequency_hz : float
        Rate and tone.
    levels_dbfs : tuple of float
        Level of each step.
    windows : tuple of (int, int)
        Samples of each step that are steady once the settling time is over.
    """

    signal: FloatArray
    sample_rate: float
    frequency_hz: float
    levels_dbfs: tuple[float, ...]
    windows: tuple[tuple[int, int], ...]


def tone(
    frequency_hz: float,
    *,
    duration_seconds: float,
    sample_rate: float,
    level_dbfs: float = -6.0,
    phase_radians: float = 0.0,
) -> FloatArray:
    """Sine ``a sin(2 pi f n / rate + phase)``.

    Parameters
    ----------
    frequency_hz : float
        Above zero, below half the sample rate.
    duration_seconds : float
        Rounded to whole samples.
    sample_rate : float
        Samples per second.
    level_dbfs : float
        Level of the peak re full scale (AES17: a full-scale sine is 0 dBFS).
    phase_radians : float
        Phase of the first sample.

    Returns
    -------
    ndarray, shape (samples,)

    Raises
    ------
    MeasureError
        If an argument is outside its range.

    Notes
    -----
    Whole periods are taken off before the sine is evaluated, so the phase of sample n is as exact at the
    end of an hour as at its beginning (to 1e-9 radian for frequencies and rates that are whole numbers).
    """
    return modulated_tone(
        frequency_hz,
        duration_seconds=duration_seconds,
        sample_rate=sample_rate,
        level_dbfs=level_dbfs,
        phase_radians=phase_radians,
    )


def modulated_tone(
    frequency_hz: float,
    *,
    duration_seconds: float,
    sample_rate: float,
    speed: Sequence[Modulation] = (),
    amplitude: Sequence[Modulation] = (),
    level_dbfs: float = -6.0,
    phase_radians: float = 0.0,
) -> FloatArray:
    """Sine whose frequency and amplitude deviate sinusoidally; the truth for flutter and amplitude meters.

    The instantaneous frequency is ``f (1 + sum of speed)`` and the envelope is ``a (1 + sum of amplitude)``,
    exactly: the phase is the closed-form integral, no sample is interpolated.

    Parameters
    ----------
    frequency_hz, duration_seconds, sample_rate, level_dbfs, phase_radians
        As for :func:`tone`.
    speed, amplitude : sequence of Modulation
        Deviations, added together.

    Returns
    -------
    ndarray, shape (samples,)

    Raises
    ------
    MeasureError
        If an argument is outside its range.
    """
    rate = check_rate(sample_rate)
    if not 0.0 < frequency_hz < 0.5 * rate:
        raise MeasureError(
            f"frequency_hz is {frequency_hz!r}, but must lie above 0 and below half the sample rate, "
            f"{0.5 * rate:g} Hz"
        )
    if not (math.isfinite(duration_seconds) and duration_seconds >= 0.0):
        raise MeasureError(f"duration_seconds is {duration_seconds!r}, but must be finite and not negative")
    index = np.arange(round(duration_seconds * rate), dtype=np.float64)
    phase = 2.0 * np.pi / rate * np.remainder(frequency_hz * index, rate) + phase_radians
    for each in speed:
        turn = 2.0 * np.pi / rate * np.remainder(each.rate_hz * index, rate) + each.phase_radians
        index_of_modulation = 0.01 * each.peak_percent * frequency_hz / each.rate_hz
        phase -= index_of_modulation * (np.cos(turn) - math.cos(each.phase_radians))
    envelope = np.full(index.size, 10.0 ** (level_dbfs / 20.0))
    if amplitude:
        depth = np.ones(index.size)
        for each in amplitude:
            turn = 2.0 * np.pi / rate * np.remainder(each.rate_hz * index, rate) + each.phase_radians
            depth += 0.01 * each.peak_percent * np.sin(turn)
        envelope *= depth
    return np.asarray(envelope * np.sin(phase), dtype=np.float64)


def steady_tone(sample_rate: float, *, frequency_hz: float, seconds: float, level_dbfs: float) -> FloatArray:
    """Make a sine that fades in within 10 ms, so that nothing rings from its start."""
    rate = check_rate(sample_rate)
    if not 0.0 < frequency_hz < 0.5 * rate:
        raise MeasureError(f"frequency_hz is {frequency_hz!r}, but must lie between 0 and half the sample rate")
    n = round(seconds * rate)
    # Not by `tone`: for seconds this phase is as good, and kept figures rest on its rounding.
    steady = 10.0 ** (level_dbfs / 20.0) * np.sin(2.0 * np.pi * frequency_hz / rate * np.arange(n))
    fade = min(n, round(0.01 * rate))
    steady[:fade] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / max(fade, 1))
    return np.asarray(steady)


def two_tones(
    sample_rate: float,
    *,
    low_hz: float,
    high_hz: float,
    low_to_high: float = 1.0,
    seconds: float = 1.5,
    level_dbfs: float = -18.0,
) -> FloatArray:
    """Make the sum of two sines; its level is that of the sine with the same peak.

    Parameters
    ----------
    sample_rate : float
        Samples per second.
    low_hz, high_hz : float
        Frequencies of the two.
    low_to_high : float
        Ratio of the amplitudes: 4 for modulation distortion, 1 for difference-frequency distortion.
    seconds, level_dbfs : float
        Duration, and level of the peak.
    """
    peak = 10.0 ** (level_dbfs / 20.0)
    share = low_to_high / (1.0 + low_to_high)
    low = steady_tone(sample_rate, frequency_hz=low_hz, seconds=seconds, level_dbfs=0.0)
    high = steady_tone(sample_rate, frequency_hz=high_hz, seconds=seconds, level_dbfs=0.0)
    return np.asarray(peak * (share * low + (1.0 - share) * high))


def level_steps(
    sample_rate: float,
    *,
    frequency_hz: float,
    levels_dbfs: Sequence[float],
    step_seconds: float = 0.3,
    settle_seconds: float = 0.12,
) -> LevelSteps:
    """Make a tone that goes through the given levels, each held for `step_seconds`.

    The first `settle_seconds` of each step are for the system's latency and memory and are not analysed.
    """
    rate = check_rate(sample_rate)
    held, settle = round(step_seconds * rate), round(settle_seconds * rate)
    if len(levels_dbfs) == 0 or not 0 <= settle < held:
        raise MeasureError(
            f"there are {len(levels_dbfs)} levels of {step_seconds!r} s, {settle_seconds!r} s of it to settle, "
            "but there must be one level or more and a step must be longer than its settling"
        )
    gains = np.repeat(10.0 ** (np.asarray(levels_dbfs, dtype=np.float64) / 20.0), held)
    fade = min(settle, round(0.005 * rate))
    if fade > 1:  # a step of gain would splash over the spectrum
        gains = np.concatenate([np.zeros(fade), gains])
        kernel = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(fade) + 0.5) / fade)
        gains = np.convolve(gains, kernel / kernel.sum(), mode="full")[fade : fade + held * len(levels_dbfs)]
    n = held * len(levels_dbfs)
    return LevelSteps(
        signal=gains * np.sin(2.0 * np.pi * frequency_hz / rate * np.arange(n)),
        sample_rate=rate,
        frequency_hz=frequency_hz,
        levels_dbfs=tuple(float(level) for level in levels_dbfs),
        windows=tuple((k * held + settle, (k + 1) * held) for k in range(len(levels_dbfs))),
    )


def synchronised_sweep(
    sample_rate: float,
    *,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
    seconds: float = 3.0,
    tail_seconds: float = 1.0,
    level_dbfs: float = -18.0,
) -> SynchronisedSweep:
    """Make a synchronised sweep.

    Parameters
    ----------
    sample_rate : float
        Samples per second.
    low_hz, high_hz : float
        Range to measure; the sweep begins two octaves below and, where the rate allows, ends above it.
        `high_hz` is lowered to 0.45 of the rate where it lies above that.
    seconds : float
        About how long the sweep lasts; it is rounded so that it is synchronised.
    tail_seconds : float
        Silence after it, for a system that rings on.
    level_dbfs : float
        Level of the sine.
    """
    rate = check_rate(sample_rate)
    high_hz = min(high_hz, 0.45 * rate)
    if not 0.0 < 2.0 * low_hz < high_hz:
        raise MeasureError(f"the sweep goes from {low_hz!r} to {high_hz!r} Hz, but must span an octave or more")
    if not (seconds > 0.0 and tail_seconds >= 0.0 and math.isfinite(level_dbfs)):
        raise MeasureError(
            f"seconds is {seconds!r}, tail_seconds {tail_seconds!r}, level_dbfs {level_dbfs!r}; "
            "durations must not be negative and the level must be finite"
        )
    stop = min(1.1 * high_hz, 0.49 * rate)
    start, length = _synchronised(low_hz, stop, seconds)
    duration = length * math.log(stop / start)
    n = math.ceil(duration * rate)
    t = np.arange(n) / rate
    x = np.sin(2.0 * np.pi * start * length * np.exp(t / length))
    rise = int(length * math.log(low_hz / start) * rate)
    fall = max(8, int(length * math.log(stop / high_hz) * rate))
    x[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    x[-fall:] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 1.0) / fall)
    silence = np.zeros(int(tail_seconds * rate))
    return SynchronisedSweep(
        signal=np.concatenate([10.0 ** (level_dbfs / 20.0) * x, silence]),
        sample_rate=rate,
        low_hz=low_hz,
        high_hz=high_hz,
        start_hz=start,
        stop_hz=stop,
        rate_seconds=length,
        sweep_seconds=n / rate,
        tail_seconds=len(silence) / rate,
        level_dbfs=level_dbfs,
    )


def noise_burst(
    sample_rate: float,
    *,
    seconds: float = 1.0,
    silence_seconds: float = 3.0,
    level_dbfs: float = -18.0,
    seed: int = 0,
) -> NoiseBurst:
    """Make white Gaussian noise of an exact RMS level that stops abruptly."""
    rate = check_rate(sample_rate)
    size = _burst_samples(rate, seconds, silence_seconds)
    noise = np.random.default_rng(seed).standard_normal(size)
    # A sine of amplitude 1 has 0 dBFS, hence an RMS of 0 dBFS is that of such a sine.
    noise *= 10.0 ** (level_dbfs / 20.0) / (math.sqrt(2.0) * math.sqrt(float(np.mean(noise**2))))
    return _burst(noise, rate, silence_seconds, level_dbfs, seed)


def pink_burst(
    sample_rate: float,
    *,
    seconds: float = 1.0,
    silence_seconds: float = 3.0,
    level_dbfs: float = -18.0,
    seed: int = 0,
) -> NoiseBurst:
    """Make pink noise (40 Hz to 16 kHz) of an exact RMS level that stops abruptly.

    Equal power in every octave is nearer to music than white noise is, which matters where all bands drive one
    non-linearity.
    """
    rate = check_rate(sample_rate)
    size = _burst_samples(rate, seconds, silence_seconds, least=8)
    length = 1 << math.ceil(math.log2(size))
    frequency = np.fft.rfftfreq(length, 1.0 / rate)
    inside = (frequency >= 40.0) & (frequency <= min(16_000.0, 0.45 * rate))
    slope = np.where(inside, 1.0 / np.sqrt(np.maximum(frequency, 1.0)), 0.0)
    white = np.random.default_rng(seed).standard_normal(length)
    noise = np.fft.irfft(np.fft.rfft(white) * slope, length)[:size]
    noise *= 10.0 ** (level_dbfs / 20.0) / math.sqrt(2.0 * float(np.mean(noise**2)))
    return _burst(noise, rate, silence_seconds, level_dbfs, seed)


def _burst_samples(rate: float, seconds: float, silence_seconds: float, *, least: int = 1) -> int:
    """Samples of the noise of a burst, at least so many."""
    size = round(seconds * rate)
    if size < least or silence_seconds < 0.0:
        raise MeasureError(
            f"seconds is {seconds!r} and silence_seconds {silence_seconds!r}, but neither may be "
            "negative and there must be noise"
        )
    return size


def _burst(noise: FloatArray, rate: float, silence_seconds: float, level_dbfs: float, seed: int) -> NoiseBurst:
    return NoiseBurst(
        signal=np.concatenate([noise, np.zeros(round(silence_seconds * rate))]),
        sample_rate=rate,
        stop=noise.size,
        level_dbfs=level_dbfs,
        seed=seed,
    )


def burst_pulse(sample_rate: float, frequency_hz: float) -> npt.NDArray[np.complex128]:
    """A tone of a tenth of a second under a Hann window, as an analytic signal of peak 1 in its middle."""
    size = 2 * round(0.5 * BURST_SECONDS * sample_rate) + 1
    clock = (np.arange(size) - size // 2) / sample_rate
    shape = 0.5 + 0.5 * np.cos(2.0 * np.pi * clock / BURST_SECONDS)
    return np.asarray(shape * np.exp(2j * np.pi * frequency_hz * clock), dtype=np.complex128)


def print_through_burst(
    sample_rate: float,
    *,
    frequency_hz: float = 1000.0,
    level_dbfs: float = -18.0,
    silence_seconds: float = 3.5,
) -> FloatArray:
    """A short tone between two silences, to be recorded for print-through.

    Parameters
    ----------
    sample_rate : float
        Samples per second.
    frequency_hz, level_dbfs : float
        Of the tone, and its peak.
    silence_seconds : float
        On either side, longer than a turn of the reel.

    Returns
    -------
    ndarray, shape (samples,)
    """
    rate = check_rate(sample_rate)
    quiet = np.zeros(round(silence_seconds * rate))
    tone = 10.0 ** (level_dbfs / 20.0) * burst_pulse(rate, frequency_hz).real
    return np.concatenate([quiet, tone, quiet])


def _synchronised(low_hz: float, stop_hz: float, seconds: float) -> tuple[float, float]:
    """First frequency of a sweep and its time constant, so that their product is a whole number.

    The first frequency is moved for that, and the duration where that would move it too far.
    """
    start = 0.25 * low_hz
    turns = max(1, round(start * seconds / math.log(stop_hz / start)))
    moved = start
    for _ in range(50):
        moved = turns * math.log(stop_hz / moved) / seconds
    if not 0.1 * low_hz < moved < 0.5 * low_hz:
        moved = start
    return moved, turns / moved
