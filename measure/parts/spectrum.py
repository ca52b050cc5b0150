"""Lines in a spectrum: tones and their harmonics by least squares, band power, aliasing on a prime grid.

A tone that comes off a tape is not steady: its frequency wanders, and a fit of fixed frequencies loses
the smeared harmonics. Here the phase of the strongest tone is demodulated and becomes the time base:
harmonic ``k`` is fitted as ``cos(k * phase(t))``, which follows the speed fluctuation exactly (what
shifts the tone by one part in a thousand shifts all of its harmonics by the same) and still averages
the noise over the whole recording, as a fit of fixed frequencies would.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from measure.errors import MeasureError
from measure.parts.demodulation import LARGEST_SECOND_TONE, second_tone
from measure.validation import FloatArray, check_rate, check_signal

__all__ = [
    "LineFit",
    "ToneFit",
    "aliasing_ratio_db",
    "band_power",
    "find_tone",
    "fit_lines",
    "fit_tone",
    "power_spectrum",
    "prime_grid",
    "track_phase",
    "tracked_band_hz",
    "unusable",
]

ComplexArray = npt.NDArray[np.complex128]

# The demodulating filter holds what lies beyond its stop edge below -140 dB, so that the second harmonic of
# a fully clipped tone moves the phase by less than a part in a million.
_STOPBAND_DB = 140.0
# Flutter is specified to 200 Hz; faster phase modulation stays outside the time base.
_MAX_TRACKED_RATE_HZ = 250.0
_MODELLED_HARMONICS = 20
_ROUNDING = 5e-12  # what is left of a steady component, re the tone
_STOPBAND = 10.0 ** (-_STOPBAND_DB / 20.0)
_UNEVEN = 0.05  # share by which level or harmonics change before a word is said
_MIN_PERIODS = 8
_CHUNK = 1 << 13


@dataclass(frozen=True, kw_only=True, eq=False)
class ToneFit:
    """A tone and its harmonics, ``dc + sum_k amplitude[k] * cos(k * phase(t) + phase_rad[k])``.

    Attributes
    ----------
    frequency_hz, frequency_uncertainty_hz : float
        Mean frequency of the tone, and its standard uncertainty.
    amplitudes : ndarray, shape (orders + 1,)
        Peak amplitudes; index 0 is the steady component, index 1 the tone itself. ``nan`` above half the rate.
    phases_rad : ndarray, shape (orders + 1,)
        Phase of harmonic ``k`` at the positive crest of the tone; entry 1 is zero by definition.
    sigmas : ndarray, shape (orders + 1,)
        Standard uncertainty of each amplitude, from the noise found around that line.
    errors : ndarray, shape (orders + 1,)
        Standard uncertainty of each amplitude from the method itself: what is wrong with the time base.
    residual_rms : float
        RMS of what tone and modelled harmonics leave.
    total_rms : float
        RMS of the recording without its steady component.
    seconds, sample_rate : float
        Length that was used, and the rate.
    tracked : bool
        Whether the harmonics follow the measured phase (true) or one fixed frequency (false).
    reason : str
        Why there is no fit; empty when there is one.
    warnings : tuple of str
        What limits it.
    """

    frequency_hz: float
    frequency_uncertainty_hz: float
    amplitudes: FloatArray
    phases_rad: FloatArray
    sigmas: FloatArray
    errors: FloatArray
    residual_rms: float
    total_rms: float
    seconds: float
    sample_rate: float
    tracked: bool
    reason: str = ""
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class LineFit:
    """Lines at given multiples of one tracked tone.

    Attributes
    ----------
    reference_hz : float
        Mean frequency found for the tracked tone.
    amplitudes, sigmas : ndarray, shape (lines,)
        Peak amplitude and standard uncertainty of each line asked for.
    residual_rms, total_rms, seconds : float
        As in :class:`ToneFit`.
    reason : str
        Why there is no fit; empty when there is one.
    """

    reference_hz: float
    amplitudes: FloatArray
    sigmas: FloatArray
    residual_rms: float
    total_rms: float
    seconds: float
    reason: str = ""


def power_spectrum(signal: FloatArray, sample_rate: float) -> tuple[FloatArray, FloatArray]:
    """Return frequencies and one-sided power per bin under a Hann window.

    The powers of the bins around a line add up to half its squared amplitude; those of a noise add up to its
    mean square (the window's mean square is divided out).
    """
    n = len(signal)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(n) + 0.5) / n)
    spectrum = np.fft.rfft(signal * window)
    power = (spectrum.real**2 + spectrum.imag**2) * (2.0 / (n * np.sum(window**2)))
    power[0] *= 0.5
    if n % 2 == 0:
        power[-1] *= 0.5
    return np.asarray(np.fft.rfftfreq(n, 1.0 / sample_rate), dtype=np.float64), power


def band_power(signal: FloatArray, sample_rate: float, *, low_hz: float, high_hz: float) -> float:
    """Return the mean square of the part of a signal between two frequencies.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Real, finite.
    sample_rate : float
        Samples per second.
    low_hz, high_hz : float
        Edges of the band, 0 <= low < high.
    """
    y = check_signal(signal)
    rate = check_rate(sample_rate)
    if not 0.0 <= low_hz < high_hz:
        raise MeasureError(f"the band is {low_hz!r} to {high_hz!r} Hz, but must rise from 0 Hz or more")
    if len(y) < 8:
        return math.nan
    frequencies, power = power_spectrum(y, rate)
    return float(np.sum(power[(frequencies >= low_hz) & (frequencies <= high_hz)]))


def find_tone(
    signal: FloatArray, sample_rate: float, *, near_hz: float | None = None, within: float = 0.05
) -> float:
    """Return the frequency of the strongest line, to a fraction of a bin; ``nan`` where there is none.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Real, finite.
    sample_rate : float
        Samples per second.
    near_hz : float, optional
        Look only near this frequency.
    within : float
        How near, as a share of it.
    """
    n = len(signal)
    if n < 16:
        return math.nan
    # Blackman-Harris (four terms): side lobes below -92 dB keep the skirt of a strong line off the others.
    turn = 2.0 * np.pi * np.arange(n) / n
    window = 0.35875 - 0.48829 * np.cos(turn) + 0.14128 * np.cos(2 * turn) - 0.01168 * np.cos(3 * turn)
    size = 1 << (n - 1).bit_length()
    magnitude = np.abs(np.fft.rfft((signal - signal.mean()) * window, size))
    bin_hz = sample_rate / size
    low, high = 1, len(magnitude) - 1
    if near_hz is not None:
        low = max(low, math.ceil((1.0 - within) * near_hz / bin_hz))
        high = min(high, int((1.0 + within) * near_hz / bin_hz) + 1)
    if high <= low:
        return math.nan
    peak = low + int(np.argmax(magnitude[low:high]))
    around = magnitude[peak - 1 : peak + 2]
    # At the edge of the range it may be the skirt of a line beyond.
    if len(around) < 3 or np.min(around) <= 0.0 or around[1] < np.max(around):
        return math.nan
    a, b, c = np.log(around)
    curvature = a - 2.0 * b + c
    shift = 0.0 if curvature >= 0.0 else float(np.clip(0.5 * (a - c) / curvature, -0.5, 0.5))
    return (peak + shift) * bin_hz


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


def _taps(frequency_hz: float, neighbour_hz: float, sample_rate: float) -> int:
    transition_hz = neighbour_hz - 2.0 * tracked_band_hz(frequency_hz, neighbour_hz)
    return math.ceil((_STOPBAND_DB - 7.95) / (2.285 * 2.0 * np.pi * transition_hz / sample_rate)) | 1


def _low_pass(taps: int, neighbour_hz: float, sample_rate: float) -> FloatArray:
    offsets = np.arange(taps) - taps // 2
    low_pass = np.kaiser(taps, 0.1102 * (_STOPBAND_DB - 8.7)) * np.sinc(offsets * (neighbour_hz / sample_rate))
    return np.asarray(low_pass / low_pass.sum())


def _image_gain(frequency_hz: float, sample_rate: float) -> float:
    """What the demodulating filter leaves of the tone's image at twice its frequency, re the tone."""
    low_pass = _low_pass(_taps(frequency_hz, frequency_hz, sample_rate), frequency_hz, sample_rate)
    turn = 4.0 * np.pi * frequency_hz / sample_rate * np.arange(len(low_pass))
    return abs(complex(np.sum(low_pass * np.exp(1j * turn))))


def tracked_band_hz(frequency_hz: float, neighbour_hz: float) -> float:
    """Return the fastest phase modulation that the time base follows."""
    return min(_MAX_TRACKED_RATE_HZ, 0.3 * neighbour_hz, 0.3 * frequency_hz)


def fit_tone(
    signal: FloatArray, sample_rate: float, *, frequency_hz: float | None = None, orders: int = 10
) -> ToneFit:
    """Fit a tone and its harmonics to a recording.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Recording of one tone, at any frequency, coherent with the length or not.
    sample_rate : float
        Samples per second.
    frequency_hz : float, optional
        Where the tone should be; it is looked for within 5 %. Without it, the strongest line is the tone.
    orders : int
        Highest harmonic to report, 2 or more.

    Returns
    -------
    ToneFit
        With `reason` set, and ``nan`` for all figures, when no single tone dominates the recording.

    Raises
    ------
    MeasureError
        If an argument has the wrong type or shape.
    """
    y = check_signal(signal)
    rate = check_rate(sample_rate)
    if isinstance(orders, bool) or not isinstance(orders, int) or orders < 2:
        raise MeasureError(f"orders is {orders!r}, but must be a whole number of 2 or more")
    if frequency_hz is not None and not 0.0 < frequency_hz < 0.5 * rate:
        raise MeasureError(f"frequency_hz is {frequency_hz!r}, but must lie between 0 and half the rate")
    reason = unusable(y)
    if reason:
        return _no_fit(reason, orders, rate)
    found = find_tone(y, rate, near_hz=frequency_hz)
    if not found > 0.0:
        where = "" if frequency_hz is None else f" within 5 % of {frequency_hz:g} Hz"
        return _no_fit(f"no tone was found{where}", orders, rate)
    # A line so low that hardly any period of it fits is a trend, not a tone.
    if found * len(y) / rate < _MIN_PERIODS:
        return _no_fit(
            f"the recording holds {found * len(y) / rate:.1f} periods of {found:.4g} Hz, under {_MIN_PERIODS}",
            orders,
            rate,
        )
    # A steady component is an image too, at the distance of the tone itself.
    phase, envelope, start = track_phase(y - np.mean(y), rate, frequency_hz=found, neighbour_hz=found)
    tracked = len(phase) >= 0.5 * len(y) and len(phase) * found / rate >= _MIN_PERIODS
    if not tracked:
        refined = _refine(y, rate, found)
        phase = 2.0 * np.pi * refined / rate * np.arange(float(len(y)))
        start = 0
    n = len(phase)
    part = y[start : start + n]
    # Harmonic and mirror image may not fall together, or the fit has no unique answer.
    highest = int((0.5 * rate - 4.0 * rate / n) / found)
    if highest < 1:
        return _no_fit(f"the tone at {found:.4g} Hz lies too close to half the rate", orders, rate)
    modelled = min(highest, max(orders, _MODELLED_HARMONICS))
    multiples = np.arange(modelled + 1, dtype=np.float64)
    weights = _weights(n)
    lines, sigmas, residual, total = _solve(part, phase, multiples, rate, weights)
    warnings = []
    if outside := _interruptions(residual, rate, found, float(np.abs(lines[1])), start):
        weights = weights * outside[0]
        lines, sigmas, residual, total = _solve(part, phase, multiples, rate, weights)
        warnings.append(
            f"the tone is interrupted, spliced or disturbed; {1000.0 * outside[1] / rate:.3g} ms were left out. "
            "If its polarity changed there, even harmonics are too small"
        )
    if tracked:
        sigmas[1] *= math.sqrt(2.0)  # the time base has taken half of the noise around the tone itself
    strength = np.abs(lines)
    held = 0.5 * float(np.sum(strength[1:] ** 2))
    if not held > 0.5 * total:
        share = 100.0 * held / total if total > 0.0 else 0.0
        return _no_fit(
            f"no tone stands out: the strongest line (at {found:.4g} Hz) and its harmonics hold "
            f"{min(share, 100.0):.0f} % of the power",
            orders,
            rate,
        )
    if tracked and np.std(envelope) > 0.3 * np.mean(envelope):
        return _no_fit(
            "the tone's amplitude swings by more than 30 %: it is interrupted, or two tones beat", orders, rate
        )
    second = _second_tone(part, rate, found, float(strength[1]))
    if second:
        return _no_fit(second, orders, rate)
    swing = 0.0
    if tracked:
        deviation = np.gradient(phase) * (rate / (2.0 * np.pi))
        offset, size = second_tone(envelope, deviation - np.mean(deviation), rate, highest_hz=0.5 * found)
        if size > LARGEST_SECOND_TONE and not warnings:
            return _no_fit(
                f"there is a second tone at {found + offset:.4g} Hz, {20.0 * math.log10(size):.1f} dB re the one "
                f"at {found:.4g} Hz",
                orders,
                rate,
            )
        # It swings the time base by its relative size, in radians.
        swing = size
        if size > 0.0 and not warnings:
            warnings.append(
                f"there is a weak second tone at {found + offset:.4g} Hz, {20.0 * math.log10(size):.0f} dB re the "
                "first"
            )
        level_swing = float(np.std(envelope) / np.mean(envelope))
        if level_swing > _UNEVEN and not len(warnings):
            warnings.append(
                f"the tone's level swings by {100.0 * level_swing:.2g} % (RMS); the figures are means over that"
            )
    else:
        # A fixed frequency cannot follow the speed: what is left round the tone is taken for its flutter.
        left = band_power(residual, rate, low_hz=0.5 * found, high_hz=1.5 * found)
        swing = 2.0 * math.sqrt(left) / max(float(strength[1]), 1e-300)
        if 0.25 * 4.0 * swing**2 > _UNEVEN:
            warnings.append(
                "too short to follow the speed, and the tone is not steady: harmonics may be too small"
            )
    # A time base that swings by s weakens harmonic k by (k s)^2 / 4.
    loss = 0.25 * np.square(np.minimum(multiples * swing, 2.0)) * strength
    # The image of the tone swings it at twice the tone's frequency, which moves harmonics by two orders.
    image = _image_gain(found, rate) if tracked else 0.0
    sidebands = np.concatenate([[0.0], multiples[1:] * strength[1:], [0.0, 0.0]])
    moved = 0.5 * image * (np.concatenate([[0.0, 0.0], sidebands[:-4]]) + sidebands[2:])
    rounding = _ROUNDING * float(strength[1])
    systematic = (multiples > 1.0) * np.sqrt(loss**2 + moved**2 + (_STOPBAND * strength) ** 2 + rounding**2)
    slope_sigma = math.sqrt(6.0) * float(sigmas[1]) / (math.pi * float(strength[1]) * n / rate)
    mean_hz = _slope(phase) * rate / (2.0 * np.pi)
    if frequency_hz is not None and abs(mean_hz / frequency_hz - 1.0) > 0.05:
        return _no_fit(f"no tone was found within 5 % of {frequency_hz:g} Hz", orders, rate)
    if clipped := _flat_tops(y):
        warnings.append(
            f"{clipped} samples in a row sit at the peak value: if the recorder clipped, this is its distortion"
        )
    if n / rate * found < 50.0:
        warnings.append(f"only {n / rate * found:.0f} periods were used")
    amplitudes = np.full(orders + 1, np.nan)
    turned = np.full(orders + 1, np.nan)
    spread = np.full(orders + 1, np.nan)
    last = min(orders, modelled)
    amplitudes[: last + 1] = strength[: last + 1]
    amplitudes[0] = lines[0].real
    spread[: last + 1] = sigmas[: last + 1]
    off = np.full(orders + 1, np.nan)
    off[: last + 1] = systematic[: last + 1]
    relative = np.angle(lines * np.exp(-1j * multiples * np.angle(lines[1])))
    turned[: last + 1] = relative[: last + 1]
    turned[0] = 0.0
    return ToneFit(
        frequency_hz=mean_hz,
        frequency_uncertainty_hz=slope_sigma,
        amplitudes=amplitudes,
        phases_rad=turned,
        sigmas=spread,
        errors=off,
        residual_rms=float(np.sqrt(np.mean(residual**2))),
        total_rms=math.sqrt(total),
        seconds=n / rate,
        sample_rate=rate,
        tracked=tracked,
        warnings=tuple(warnings),
    )


def fit_lines(
    signal: FloatArray,
    sample_rate: float,
    *,
    reference_hz: float,
    lines_hz: Sequence[float],
    neighbour_hz: float,
    within: float = 0.05,
) -> LineFit:
    """Fit lines whose frequencies are in known ratios to one tone, which gives the time base.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Recording.
    sample_rate : float
        Samples per second.
    reference_hz : float
        Nominal frequency of the tone to track.
    lines_hz : sequence of float
        Nominal frequencies of all lines to fit; their ratios to `reference_hz` are taken as exact.
    neighbour_hz : float
        Distance from the tracked tone to the nearest other line.
    within : float
        How far the tracked tone may lie from its nominal frequency, as a share of it; it must be the strongest
        line there.
    """
    y = check_signal(signal)
    rate = check_rate(sample_rate)
    count = len(lines_hz)

    def nothing(why: str) -> LineFit:
        undefined = np.full(count, np.nan)
        return LineFit(
            reference_hz=math.nan,
            amplitudes=undefined,
            sigmas=undefined,
            residual_rms=math.nan,
            total_rms=math.nan,
            seconds=math.nan,
            reason=why,
        )

    if reason := unusable(y):
        return nothing(reason)
    nearest = find_tone(y, rate, near_hz=reference_hz, within=within)
    if not nearest > 0.0:
        return nothing(f"no tone was found near {reference_hz:g} Hz")
    phase, envelope, start = track_phase(y, rate, frequency_hz=nearest, neighbour_hz=neighbour_hz)
    n = len(phase)
    if n < 0.25 * len(y) or n * neighbour_hz / rate < _MIN_PERIODS:
        return nothing(
            f"the recording of {len(y) / rate:.3g} s is too short to part lines {neighbour_hz:g} Hz apart"
        )
    if np.std(envelope) > 0.3 * np.mean(envelope):
        return nothing("the tracked tone's amplitude swings by more than 30 %: it is interrupted or missing")
    multiples = np.concatenate([[0.0], np.asarray(lines_hz, dtype=np.float64) / reference_hz])
    lines, sigmas, residual, total = _solve(y[start : start + n], phase, multiples, rate, _weights(n))
    mean_hz = _slope(phase) * rate / (2.0 * np.pi)
    return LineFit(
        reference_hz=mean_hz,
        amplitudes=np.abs(lines[1:]),
        sigmas=sigmas[1:],
        residual_rms=float(np.sqrt(np.mean(residual**2))),
        total_rms=math.sqrt(total),
        seconds=n / rate,
    )


def unusable(signal: FloatArray) -> str:
    """Return why nothing can be read from a signal at all; empty when something can."""
    if len(signal) < 64:
        return f"the recording has {len(signal)} samples, fewer than 64"
    finite = np.isfinite(signal)
    if not finite.all():
        first = int(np.argmin(finite))
        return (
            f"{len(signal) - np.count_nonzero(finite)} samples are not finite numbers; the first is sample {first}"
        )
    peak = float(np.max(np.abs(signal)))
    if peak < 1e-12:
        return "the recording is silent" if peak == 0.0 else f"the recording is silent (peak {peak:.1e})"
    if peak > 1e9:
        return f"the recording peaks at {peak:.1e}, far beyond full scale"
    if np.std(signal) <= 1e-10 * peak:
        return "the recording is a constant"
    return ""


def prime_grid(sample_rate: float, *, frequency_hz: float, seconds: float = 1.0) -> tuple[int, float]:
    """Return a prime length near `seconds` and the frequency on its grid nearest to `frequency_hz`.

    On a prime length no folded harmonic falls on the bin of a true one (Sato and Smith 2025).
    """
    rate = check_rate(sample_rate)
    length = max(3, int(seconds * rate))
    while any(length % divisor == 0 for divisor in range(2, math.isqrt(length) + 1)):
        length -= 1
    cycles = max(1, round(frequency_hz * length / rate))
    return length, cycles * rate / length


def aliasing_ratio_db(
    period: FloatArray, sample_rate: float, *, frequency_hz: float, highest_hz: float = 20_000.0
) -> float:
    """Return the power of all that is not harmonic over that of tone and harmonics, in dB.

    Parameters
    ----------
    period : ndarray, shape (samples,)
        One steady period of prime length, see :func:`prime_grid`.
    sample_rate : float
        Samples per second.
    frequency_hz : float
        Tone on the grid of that length.
    highest_hz : float
        Upper end of the audible band.
    """
    y = check_signal(period)
    rate = check_rate(sample_rate)
    n = len(y)
    cycles = round(frequency_hz * n / rate)
    if cycles < 1 or abs(cycles - frequency_hz * n / rate) > 1e-6 * cycles:
        raise MeasureError(
            f"{frequency_hz!r} Hz does not lie on the grid of {n} samples; take it from prime_grid()"
        )
    if any(n % divisor == 0 for divisor in range(2, math.isqrt(n) + 1)):
        raise MeasureError(f"the period has {n} samples, which is not a prime number; take it from prime_grid()")
    power = np.abs(np.fft.rfft(y)) ** 2
    power = power[: int(min(highest_hz, 0.5 * rate) * n / rate) + 1]
    harmonic = np.zeros(len(power), dtype=bool)
    harmonic[cycles::cycles] = True
    power[0] = 0.0
    wanted = float(power[harmonic].sum())
    other = float(power[~harmonic].sum())
    if not wanted > 0.0:
        return math.nan
    return 10.0 * math.log10(max(other / wanted, 1e-40))


def _no_fit(reason: str, orders: int, rate: float) -> ToneFit:
    undefined = np.full(orders + 1, np.nan)
    return ToneFit(
        frequency_hz=math.nan,
        frequency_uncertainty_hz=math.nan,
        amplitudes=undefined,
        phases_rad=undefined,
        sigmas=undefined,
        errors=undefined,
        residual_rms=math.nan,
        total_rms=math.nan,
        seconds=math.nan,
        sample_rate=rate,
        tracked=False,
        reason=reason,
    )


def _slope(phase: FloatArray) -> float:
    """Slope of the straight line of least squares, per sample."""
    n = len(phase)
    moment = np.arange(float(n)) - 0.5 * (n - 1)
    return float(np.sum(moment * phase) / np.sum(moment**2))


def _weights(n: int) -> FloatArray:
    # Tukey window, half of it tapered: the tails of what is not modelled fall with the cube of the distance,
    # and the noise of the estimate rises by 10 % only.
    edge = np.minimum(np.arange(n) + 0.5, n - np.arange(n) - 0.5) / (0.25 * n)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.minimum(edge, 1.0)))


def _solve(
    signal: FloatArray, phase: FloatArray, multiples: FloatArray, rate: float, weights: FloatArray
) -> tuple[ComplexArray, FloatArray, FloatArray, float]:
    """Weighted least squares of ``cos(m * phase)`` and ``sin(m * phase)``; the first multiple must be 0.

    Returns complex amplitudes (entry 0 is the real steady component), their standard uncertainties, the
    residual, and the weighted mean square of the signal without its steady component.
    """
    n = len(signal)
    pieces = [slice(start, min(start + _CHUNK, n)) for start in range(0, n, _CHUNK)]
    # Of the products of two columns only sums and differences of multiples matter: sums of w exp(j m phase).
    # Plain sums, and no matrix products: those wait for threads on a busy machine.
    count = len(multiples)
    harmonic = bool(np.all(multiples == np.arange(count)))
    if harmonic:
        moments = np.zeros(2 * count - 1, dtype=np.complex128)
        projections = np.zeros(count, dtype=np.complex128)
        for piece in pieces:
            step = np.exp(1j * phase[piece])
            power = weights[piece].astype(np.complex128)
            for m in range(2 * count - 1):
                moments[m] += power.sum()
                if m < count:
                    projections[m] += (power * signal[piece]).sum()
                power *= step
        k = np.arange(count)
        differences, sums = np.abs(k[:, None] - k), k[:, None] + k
        turns = np.where(k[:, None] >= k, moments[differences], np.conj(moments[differences]))
        gathered = moments[sums]
    else:
        turns = np.zeros((count, count), dtype=np.complex128)
        gathered = np.zeros((count, count), dtype=np.complex128)
        projections = np.zeros(count, dtype=np.complex128)
        for piece in pieces:
            turning = np.exp(1j * multiples[:, None] * phase[piece])
            weighted = turning * weights[piece]
            for i in range(count):
                turns[i] += (weighted[i] * np.conj(turning)).sum(axis=1)
                gathered[i] += (weighted[i] * turning).sum(axis=1)
            projections += (weighted * signal[piece]).sum(axis=1)
    # With E_k = exp(j m_k phase): cos cos = Re(E_i E_k* + E_i E_k) / 2, and likewise for the others.
    cosines = 0.5 * (turns + gathered).real
    sines = 0.5 * (turns - gathered).real
    mixed = 0.5 * (gathered - turns).imag  # rows cosine, columns sine
    gram = np.block([[cosines, mixed[:, 1:]], [mixed[:, 1:].T, sines[1:, 1:]]])
    right = np.concatenate([projections.real, projections.imag[1:]])
    solution = np.linalg.lstsq(gram, right, rcond=1e-12)[0]
    # a cos + b sin = Re[(a - jb) e^(j angle)]
    lines = solution[:count].astype(np.complex128)
    lines[1:] -= 1j * solution[count:]
    residual = np.empty(n)
    for piece in pieces:
        model = np.full(len(phase[piece]), solution[0])
        if harmonic:
            step = np.exp(1j * phase[piece])
            power = np.ones_like(step)
            for line in lines[1:]:
                power *= step
                model += (line * power).real
        else:
            for multiple, line in zip(multiples[1:], lines[1:], strict=True):
                model += (line * np.exp(1j * multiple * phase[piece])).real
        residual[piece] = signal[piece] - model
    mean = float(np.sum(weights * signal) / np.sum(weights))
    total = float(np.sum(weights * (signal - mean) ** 2) / np.sum(weights))
    centre_hz = float(phase[-1] - phase[0]) / (2.0 * np.pi) / (n - 1) * rate
    return lines, _line_sigmas(residual, weights, multiples * centre_hz, rate), residual, total


def _line_sigmas(residual: FloatArray, weights: FloatArray, lines_hz: FloatArray, rate: float) -> FloatArray:
    """Standard uncertainty of a line's amplitude from the noise density around it."""
    n = len(residual)
    power = np.abs(np.fft.rfft(residual * weights)) ** 2
    reach = max(20, int(40.0 * n / rate))
    running = np.concatenate([[0.0], np.cumsum(power)])
    sigmas = np.empty(len(lines_hz))
    for i, line in enumerate(lines_hz):
        centre = min(round(line * n / rate), len(power) - 1)
        low, high = max(1, centre - reach), min(len(power), centre + reach + 1)
        # The fit has emptied the bins of the line itself; they would dilute the mean.
        gap_low, gap_high = max(low, centre - 2), min(high, centre + 3)
        inside = running[high] - running[gap_high] + running[gap_low] - running[low]
        bins = (high - gap_high) + (gap_low - low)
        sigmas[i] = math.sqrt(max(0.0, 2.0 * inside / max(bins, 1))) / float(np.sum(weights))
    return sigmas


def _refine(signal: FloatArray, rate: float, frequency_hz: float) -> float:
    """Frequency of a short tone by Gauss-Newton on frequency, amplitudes and phases together (IEEE 1057)."""
    n = len(signal)
    moment = np.arange(n) - 0.5 * (n - 1)
    weights = _weights(n)
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


def _second_tone(signal: FloatArray, rate: float, frequency_hz: float, amplitude: float) -> str:
    """Say where a second tone of a tenth of the first or more is; empty when there is none."""
    n = len(signal)
    frequencies, power = power_spectrum(signal - np.mean(signal), rate)
    margin = max(4.0 * rate / n, tracked_band_hz(frequency_hz, frequency_hz))
    distance = np.abs(frequencies - frequency_hz * np.rint(frequencies / frequency_hz))
    power[(distance < margin) & (frequencies > 0.5 * frequency_hz)] = 0.0
    # Three bins of a Hann window hold a line.
    lines = np.convolve(power, np.ones(3), mode="same")
    top = int(np.argmax(lines))
    found = math.sqrt(2.0 * float(lines[top]))
    if found < 0.1 * amplitude:
        return ""
    return (
        f"there is a second tone at {frequencies[top]:.4g} Hz, {20.0 * math.log10(found / amplitude):.1f} dB "
        f"re the one at {frequency_hz:.4g} Hz"
    )


def _interruptions(
    residual: FloatArray, rate: float, frequency_hz: float, amplitude: float, reach: int
) -> tuple[FloatArray, int] | None:
    """Weights that leave out gaps, clicks and splices, and the number of samples left out; nothing without any.

    They are short stretches in which the residual stands eightfold (18 dB) above its median; the time base is
    disturbed as far as its filter reaches on either side. Where more than a fifth would be left out there is no
    rule from which they could be the exception.
    """
    block = max(8, math.ceil(rate / min(frequency_hz, 1000.0)))
    count = len(residual) // block
    if count < 16:
        return None
    energy = np.sqrt(np.mean(np.square(residual[: count * block].reshape(count, block)), axis=1))
    bad = np.flatnonzero(energy > max(8.0 * float(np.median(energy)), 1e-3 * amplitude))
    if not bad.size:
        return None
    kept = np.ones(len(residual))
    for index in bad:
        kept[max(index * block - reach, 0) : (index + 1) * block + reach] = 0.0
    lost = int(np.sum(kept == 0.0))
    return (kept, lost) if lost <= 0.2 * len(residual) else None


def _flat_tops(signal: FloatArray) -> int:
    """Length of the longest run of one and the same extreme value; 0 when under three samples."""
    longest = 0
    for extreme in (float(np.max(signal)), float(np.min(signal))):
        held = np.concatenate([[0], (signal == extreme).astype(np.int8), [0]])
        edges = np.diff(held)
        longest = max(longest, int(np.max(np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1))))
    return longest if longest >= 3 else 0
