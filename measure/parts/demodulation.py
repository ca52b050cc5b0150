"""From a recorded tone to its instantaneous frequency and amplitude.

The tone is cut out of the spectrum of the whole recording by a filter that is flat around the carrier and whose
impulse response is a sinc times a Gaussian. What is left is analytic: its argument's derivative is the
frequency, its magnitude the amplitude. Samples nearer to an end than the impulse response is long are left
out, so nothing of the ends is in the result.

A tone that cannot be demodulated raises `NotMeasurableError`, which the quantities turn into ``nan`` with a
reason.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from measure.errors import counted
from measure.parts.steady_tone import (
    NotMeasurableError,
    check_clipping,
    check_envelope,
    check_second_tone,
    check_share,
    check_steadiness,
    echo_of,
)
from measure.validation import FloatArray

__all__ = [
    "Demodulated",
    "band_rate",
    "decimate",
    "demodulate",
]

# Half-width of the transition of the filter, and half-length of its impulse response, in units of its slope
# and of 1/slope: beyond them 1e-7 is left.
_TRANSITION = 3.8
_HALF_LENGTH = 1.277
_FEWEST_POINTS = 8

_AUTOMATIC_TOLERANCE = 0.03
_GIVEN_TOLERANCE = 0.05
_DOUBTFUL = 0.015  # no speed error that a home recorder was allowed (DIN 45500)
_LOST_CARRIER = 0.2
_JUMP = 0.5
_COMMON_RATES = (44_100.0, 48_000.0, 88_200.0, 96_000.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Demodulated:
    """Frequency and amplitude of a tone over time.

    Attributes
    ----------
    frequency_hz, amplitude : ndarray, shape (points,)
        Instantaneous frequency, and envelope in the unit of the signal.
    rate : float
        Points per second.
    start_seconds : float
        Time of the first point after the first sample.
    nominal_hz : float
        Nominal frequency that was given or recognised.
    carrier_hz : float
        Mean frequency.
    noise_density : float
        One-sided power density of the noise around the carrier, unit squared per Hz.
    flat_hz : float
        Deviations up to this rate pass the filter unchanged.
    bridged : float
        Part of the time for which the frequency is a bridge over a dropout.
    echo : float
        Level of an echo of the tone, re the tone, as far as the envelope betrays it; it changes deviations by up
        to twice that share of them.
    folded : float
        Relative doubt of deviations of a clipped tone, whose high harmonics fold back beside it.
    second_rate_hz : float
        Rate of the deviation that a weak second tone causes; ``nan`` where there is none.
    warnings : tuple of str
        What does not spoil the figures but should be known.
    """

    frequency_hz: FloatArray
    amplitude: FloatArray
    rate: float
    start_seconds: float
    nominal_hz: float
    carrier_hz: float
    noise_density: float
    flat_hz: float
    bridged: float
    echo: float = 0.0
    folded: float = 0.0
    second_rate_hz: float = math.nan
    warnings: tuple[str, ...] = field(default=())

    @property
    def duration_seconds(self) -> float:
        """Time covered by the points."""
        return self.frequency_hz.size / self.rate

    @property
    def mean_amplitude(self) -> float:
        """Mean of the envelope."""
        return float(np.mean(self.amplitude))


def demodulate(
    signal: FloatArray,
    sample_rate: float,
    *,
    nominal_hz: Sequence[float],
    given: bool,
    highest_rate_hz: float,
    largest_loss: float = 0.02,
) -> Demodulated:
    """Demodulate a tone.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        The recording.
    sample_rate : float
        Samples per second.
    nominal_hz : sequence of float
        Frequencies the tone may have. The tone found must lie within 3 % of one of them (5 % if `given`).
    given : bool
        Whether the frequency was given by the user rather than to be recognised.
    highest_rate_hz : float
        Highest rate of deviation that is wanted.
    largest_loss : float
        Part of the time for which the tone may drop out (by 14 dB or more).

    Raises
    ------
    NotMeasurableError
        Silence, non-finite samples, no tone, more than one tone, a tone elsewhere, a carrier too near to 0 or to
        half the sample rate for the deviations asked for, a tone lost for too long, a clipped tone whose
        harmonics fold back onto it.
    """
    from scipy import fft

    level, x = _centred(signal)
    length = fft.next_fast_len(x.size, real=True)
    spectrum = fft.rfft(x, length)
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    bin_hz = sample_rate / length
    tolerance = _GIVEN_TOLERANCE if given else _AUTOMATIC_TOLERANCE

    lowest, highest = min(nominal_hz) * (1.0 - tolerance), max(nominal_hz) * (1.0 + tolerance)
    flat, slope = _filter_shape(lowest, highest, sample_rate, highest_rate_hz)
    coarse = _locate(power, bin_hz, nominal_hz, tolerance, sample_rate)
    ends = _HALF_LENGTH / slope
    _check_duration(x.size / sample_rate, ends, highest_rate_hz)
    warnings: list[str] = []
    harmonics = check_share(power, bin_hz, coarse, flat, sample_rate, warnings)

    for _ in range(2):
        span = (ends, (x.size - 1) / sample_rate - ends)
        tone = _followed(spectrum, bin_hz, coarse, flat, slope, span, largest_loss, warnings)
        found = float(np.mean(tone.frequency))
        if abs(found - coarse) < 0.02 * flat:
            break
        coarse = found

    nominal = min(nominal_hz, key=lambda candidate: abs(math.log(found / candidate)))
    if abs(found / nominal - 1.0) > tolerance:
        raise NotMeasurableError(_elsewhere(found, nominal_hz, tolerance, sample_rate))
    warnings += _doubts_of_frequency(found, nominal, given=given)
    check_steadiness(tone.frequency, tone.rate)
    full = level > 1.0 - 1e-4
    folded = check_clipping(x, sample_rate, found, highest_rate_hz, flat, harmonics, warnings, full=full)
    density = _noise_density(tone.z, tone.rate, tone.offset_hz - found, highest_rate_hz, flat)
    second = check_second_tone(tone.envelope, tone.frequency, tone.rate, found, flat, warnings)
    return Demodulated(
        frequency_hz=tone.frequency,
        amplitude=tone.envelope * level,
        rate=tone.rate,
        start_seconds=tone.first / tone.rate,
        nominal_hz=nominal,
        carrier_hz=found,
        noise_density=density * level**2,
        flat_hz=flat,
        bridged=tone.bridged,
        echo=echo_of(tone.envelope, tone.frequency, tone.rate, warnings),
        folded=folded,
        second_rate_hz=second,
        warnings=tuple(dict.fromkeys(warnings)),
    )


def decimate(series: FloatArray, rate: float, *, highest_hz: float) -> tuple[FloatArray, float, float]:
    """Keep what a series holds up to a frequency, at a rate of five times it.

    Parameters
    ----------
    series : ndarray, shape (points,)
        Evenly sampled.
    rate : float
        Points per second.
    highest_hz : float
        The series is unchanged up to 1.2 times this frequency.

    Returns
    -------
    series : ndarray
        Fewer points; the ends, where the filter would see beyond the series, are left out.
    rate : float
        New rate.
    start_seconds : float
        Time of the first point after the first point given.

    Raises
    ------
    NotMeasurableError
        If nothing is left between the ends.
    """
    from scipy import fft, special

    slope = highest_hz / 8.0
    flat = 1.2 * highest_hz
    if band_rate(highest_hz) >= rate:
        return series, rate, 0.0
    mean = float(np.mean(series))
    length = fft.next_fast_len(series.size, real=True)
    spectrum = fft.rfft(series - mean, length)
    bins = fft.next_fast_len(math.ceil(band_rate(highest_hz) * length / rate), real=True)
    offset = np.arange(bins // 2 + 1) * (rate / length)
    shape = 0.5 * special.erfc((offset - flat - _TRANSITION * slope) / slope)
    if bins % 2 == 0:
        shape[-1] = 0.0
    new_rate = rate * bins / length
    fewer = fft.irfft(spectrum[: shape.size] * shape, bins) * (bins / length) + mean
    ends = _HALF_LENGTH / slope
    first = math.ceil(ends * new_rate)
    last = math.floor(((series.size - 1) / rate - ends) * new_rate)
    if last - first < _FEWEST_POINTS:
        raise NotMeasurableError(
            f"{series.size / rate:.3g} s can be used, too short for deviations up to {highest_hz:g} Hz"
        )
    return np.asarray(fewer[first : last + 1]), new_rate, first / new_rate


def band_rate(highest_hz: float) -> float:
    """Rate that :func:`decimate` aims at."""
    return 5.0 * highest_hz


def _centred(signal: FloatArray) -> tuple[float, FloatArray]:
    """Level and signal without its mean, scaled to a peak of 1."""
    if signal.size < 2:
        raise NotMeasurableError(f"the signal has {counted(signal.size, 'sample')}, which is no tone")
    bad = ~np.isfinite(signal)
    if bad.any():
        raise NotMeasurableError(
            f"{counted(int(bad.sum()), 'sample is', 'samples are')} not finite, the first at index "
            f"{int(np.argmax(bad))}"
        )
    largest = float(np.max(np.abs(signal)))
    if largest == 0.0:
        raise NotMeasurableError("the signal is silent")
    scaled = signal / largest
    mean = float(np.mean(scaled))
    scaled -= mean
    level = float(np.max(np.abs(scaled)))
    if level < 1e-9:
        raise NotMeasurableError(f"the signal is constant at {mean * largest:.4g}, there is no tone")
    scaled /= level
    return level * largest, scaled


def _locate(
    power: FloatArray, bin_hz: float, nominal_hz: Sequence[float], tolerance: float, sample_rate: float
) -> float:
    """Centre of the strongest concentration of power among the frequencies allowed."""
    lowest = min(nominal_hz) * (1.0 - tolerance)
    highest = max(nominal_hz) * (1.0 + tolerance)
    width = max(1, round(0.005 * lowest / bin_hz))
    total = np.concatenate([[0.0], np.cumsum(power)])

    def strongest(start: int, stop: int) -> tuple[float, float]:
        centre = np.arange(max(start, width + 1), min(stop, power.size - width - 1))
        if centre.size == 0:
            return 0.0, 0.0
        near = total[centre + width + 1] - total[centre - width]
        best = int(centre[np.argmax(near)])
        around = np.arange(max(best - 3 * width, 1), min(best + 3 * width + 1, power.size))
        weight = power[around]
        return bin_hz * float(np.sum(around * weight) / np.sum(weight)), float(np.max(near))

    inside, strength = strongest(math.floor(lowest / bin_hz), math.ceil(highest / bin_hz) + 1)
    anywhere, most = strongest(math.ceil(20.0 / bin_hz), power.size)
    if most > 3.0 * strength or strength == 0.0:
        raise NotMeasurableError(_elsewhere(anywhere, nominal_hz, tolerance, sample_rate))
    return inside


def _elsewhere(found: float, nominal_hz: Sequence[float], tolerance: float, sample_rate: float) -> str:
    wanted = " or ".join(f"{candidate:g}" for candidate in nominal_hz)
    reason = (
        f"no tone within {100.0 * tolerance:g} % of {wanted} Hz; the strongest component lies near {found:.5g} Hz"
    )
    for candidate in nominal_hz:
        for other in _COMMON_RATES:
            if other != sample_rate and abs(found * other / sample_rate / candidate - 1.0) < 0.01:
                return (
                    f"{reason}, which is {candidate:g} Hz recorded at {other:g} samples per second: "
                    f"is {sample_rate:g} the right sample rate?"
                )
    return f"{reason}; give carrier_hz if that is the tone"


def _filter_shape(
    lowest_hz: float, highest_hz: float, sample_rate: float, highest_rate_hz: float
) -> tuple[float, float]:
    """Half-width of the flat part and slope of the filter around a carrier between two frequencies, in Hz.

    It depends on what was asked for alone, not on the tone found, so all channels get the same time grid.
    """
    room = min(lowest_hz, 0.5 * sample_rate - highest_hz)
    # Three pairs of sidebands of the fastest deviation, if there is room; deviations of a few per cent at 200 Hz
    # have no power beyond. One pair is the least.
    flat = min(4.0 * highest_rate_hz, 0.65 * room)
    flat = max(flat, 1.02 * highest_rate_hz)
    slope = min(0.25 * flat, 0.98 * (room - flat) / (2.0 * _TRANSITION))
    if slope < 0.01 * highest_rate_hz:
        raise NotMeasurableError(
            f"a carrier of {lowest_hz:.5g} to {highest_hz:.5g} Hz at {sample_rate:g} samples per second has no "
            f"room for deviations up to {highest_rate_hz:g} Hz on either side; use another carrier or a "
            "narrower band"
        )
    return flat, slope


@dataclass(frozen=True, kw_only=True, eq=False)
class _Followed:
    """A tone that is followed through a filter.

    Attributes
    ----------
    offset_hz : float
        Frequency of the mixing oscillator.
    z : ndarray, shape (points,)
        The filtered analytic signal, mixed down by it.
    envelope, frequency : ndarray, shape (points,)
        Magnitude of it, and instantaneous frequency of the tone in Hz.
    rate : float
        Points per second.
    first : int
        Number of the first point that is kept, from the first sample on.
    bridged : float
        Part of the time for which the frequency is a bridge.
    """

    offset_hz: float
    z: npt.NDArray[np.complex128]
    envelope: FloatArray
    frequency: FloatArray
    rate: float
    first: int
    bridged: float


def _followed(
    spectrum: npt.NDArray[np.complex128],
    bin_hz: float,
    centre: float,
    flat: float,
    slope: float,
    span: tuple[float, float],
    largest_loss: float,
    warnings: list[str],
) -> _Followed:
    """Follow the tone near a frequency between two moments, and bridge what it is lost for."""
    offset, z, slope_of_z = _analytic(spectrum, bin_hz, centre, flat, slope)
    rate = z.size * bin_hz
    first, last = math.ceil(span[0] * rate), math.floor(span[1] * rate)
    z, slope_of_z = z[first : last + 1], slope_of_z[first : last + 1]
    squared = np.square(z.real) + np.square(z.imag)
    envelope = np.sqrt(squared)
    check_envelope(envelope, centre)
    deviation = np.imag(np.conj(z) * slope_of_z) / (2.0 * np.pi * np.maximum(squared, 1e-30))
    lost = envelope < _LOST_CARRIER * np.median(envelope)
    # Where the phase jumps the filter passes from one to the other in an instant.
    jumps = np.abs(deviation) > _JUMP * flat
    bridged = 0.0
    if lost.any() or jumps.any():
        bridged = _bridge(deviation, lost, jumps, rate, flat, largest_loss, warnings)
    return _Followed(
        offset_hz=offset,
        z=z,
        envelope=envelope,
        frequency=offset + deviation,
        rate=rate,
        first=first,
        bridged=bridged,
    )


def _analytic(
    spectrum: npt.NDArray[np.complex128], bin_hz: float, centre: float, flat: float, slope: float
) -> tuple[float, npt.NDArray[np.complex128], npt.NDArray[np.complex128]]:
    """Frequency of the mixing oscillator, the filtered analytic signal mixed down by it, and its derivative."""
    from scipy import fft, special

    middle = round(centre / bin_hz)
    reach = math.ceil((flat + 2.0 * _TRANSITION * slope) / bin_hz)
    low, high = max(middle - reach, 1), min(middle + reach, spectrum.size - 1)
    offset = np.arange(low, high + 1) * bin_hz - centre
    edge = flat + _TRANSITION * slope
    shape = 0.5 * (special.erf((offset + edge) / slope) - special.erf((offset - edge) / slope))
    # Twice the rate the band needs, so that the quotient of two band-limited series does not fold back.
    size = fft.next_fast_len(4 * reach)
    turned = np.zeros(size, dtype=np.complex128)
    place = np.arange(low, high + 1) - middle
    length = 2 * (spectrum.size - 1)
    turned[place] = 2.0 * size / length * shape * spectrum[low : high + 1]
    slopes = np.zeros(size, dtype=np.complex128)
    slopes[place] = 2j * np.pi * bin_hz * place * turned[place]
    return middle * bin_hz, fft.ifft(turned), fft.ifft(slopes)


def _check_duration(seconds: float, ends: float, highest_rate_hz: float) -> None:
    if seconds <= 2.0 * ends + 4.0 / highest_rate_hz:
        raise NotMeasurableError(
            f"the signal lasts {seconds:.4g} s, too short for deviations up to {highest_rate_hz:g} Hz"
        )


def _doubts_of_frequency(found: float, nominal: float, *, given: bool) -> list[str]:
    """What is to be said of a tone that is rather far from the frequency that it counts as."""
    away = abs(found / nominal - 1.0)
    if given and away > _AUTOMATIC_TOLERANCE:
        return [
            f"the tone has {found:.5g} Hz, {100.0 * (found / nominal - 1.0):+.2g} % from the {nominal:g} Hz "
            "given: was another test tone recorded?"
        ]
    if not given and away > _DOUBTFUL:
        return [f"taken for a tone of {nominal:g} Hz though it has {found:.5g} Hz; give carrier_hz to be sure"]
    return []


def _bridge(
    deviation: FloatArray,
    lost: npt.NDArray[np.bool_],
    jumps: npt.NDArray[np.bool_],
    rate: float,
    flat: float,
    largest_loss: float,
    warnings: list[str],
) -> float:
    """Replace the frequency where the tone drops out or its phase jumps; return the part of the time."""
    share = float(np.mean(lost))
    # The frequency is disturbed for as long as the filter rings.
    margin = max(1, round(3.0 * rate / flat))
    wide = np.convolve(lost | jumps, np.ones(2 * margin + 1), mode="same") > 0.5
    if share > largest_loss or float(np.mean(wide)) > 0.5:
        hint = "; cut off the silence before and after the tone" if lost[0] or lost[-1] else ""
        raise NotMeasurableError(
            f"the tone is more than {-20.0 * math.log10(_LOST_CARRIER):.0f} dB below its median for "
            f"{100.0 * share:.2g} % of the time{hint}"
        )
    kept = np.flatnonzero(~wide)
    gone = np.flatnonzero(wide)
    deviation[gone] = np.interp(gone, kept, deviation[kept])
    if share > 0.0:
        warnings.append(f"the tone drops out for {1000.0 * share * lost.size / rate:.3g} ms in all; bridged there")
    else:
        warnings.append(
            "the tone's phase jumps, as at a splice, a lost sample or a change of polarity; bridged there"
        )
    return float(np.mean(wide))


def _noise_density(
    z: npt.NDArray[np.complex128], rate: float, shift_hz: float, highest_rate_hz: float, flat: float
) -> float:
    """One-sided density of the noise beside the sidebands of the deviation wanted.

    The median over frequency is taken, so lines do not count; noise power is exponentially distributed over
    bins, with a median of ln 2 times its mean.
    """
    from scipy import fft

    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(z.size) + 0.5) / z.size)
    density = np.square(np.abs(fft.fft(z * window))) / (rate * float(np.sum(np.square(window))))
    offset = np.abs(fft.fftfreq(z.size, 1.0 / rate) + shift_hz)
    inner = min(1.3 * highest_rate_hz, 0.8 * flat)
    beside = density[(offset > inner) & (offset < flat)]
    # A real noise of one-sided density S has an analytic signal of two-sided density 2 S.
    return float(np.median(beside) / math.log(2.0) / 2.0) if beside.size else 0.0
