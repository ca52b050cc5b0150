"""Distortion: harmonics, THD, THD+N, intermodulation, maximum operating level, aliasing.

All figures come from fitted lines whose time base is the recording's own phase (see
:mod:`measure.parts.spectrum`), so that the flutter of a tape does not count as loss of a harmonic.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from measure.errors import MeasureError
from measure.parts.run import drive
from measure.parts.signals import LevelSteps, SynchronisedSweep, level_steps, steady_tone, synchronised_sweep
from measure.parts.spectrum import (
    LineFit,
    ToneFit,
    aliasing_ratio_db,
    fit_lines,
    fit_tone,
    power_spectrum,
    prime_grid,
    unusable,
)
from measure.results import Curve, Reading
from measure.validation import FloatArray, as_system, check_rate, check_signal

__all__ = [
    "DifferenceDistortion",
    "FrequencyDistortion",
    "HarmonicDistortion",
    "LevelDistortion",
    "ModulationDistortion",
    "aliasing_to_signal",
    "difference_frequency_distortion",
    "distortion",
    "distortion_against_frequency",
    "distortion_against_level",
    "distortion_from_sweep",
    "distortion_of_steps",
    "harmonic_distortion",
    "modulation_distortion",
    "operating_level",
    "thd_plus_noise",
]

Conditions = dict[str, str | float | int | bool]

_TRACKED = "least squares on the tracked phase of the tone"
_FIXED = "least squares at one fixed frequency"
_ORDERS = 10
_SIDEBANDS = 5
# Power of a line over that of noise alone that noise exceeds once in a thousand times, exp(-7).
_DETECTION = 7.0
_NEAR_NOISE = 6.0  # times its uncertainty, up to which an amplitude hardly stands out


@dataclass(frozen=True, kw_only=True, eq=False)
class HarmonicDistortion:
    """Harmonics of one tone.

    Attributes
    ----------
    frequency, level : Reading
        Mean frequency of the tone in Hz; level of its fundamental in dBFS.
    thd_f, thd_r : Reading
        Total harmonic distortion in per cent of the fundamental (IEC 60268-3) and of the RMS of all.
    harmonics : tuple of Reading
        Level of harmonic 2, 3, ... in dB re the fundamental.
    phases : tuple of Reading
        Phase of harmonic 2, 3, ... in degrees where the fundamental has its positive crest.
    spectrum : Curve
        Level of harmonic 1, 2, ... in dB re the fundamental, against the order.
    """

    frequency: Reading
    level: Reading
    thd_f: Reading
    thd_r: Reading
    harmonics: tuple[Reading, ...]
    phases: tuple[Reading, ...]
    spectrum: Curve

    @property
    def readings(self) -> tuple[Reading, ...]:
        """All single figures."""
        return (self.frequency, self.level, self.thd_f, self.thd_r, *self.harmonics, *self.phases)

    def harmonic(self, order: int) -> Reading:
        """Level of one harmonic, 2 to the highest that was asked for."""
        if not 2 <= order <= len(self.harmonics) + 1:
            raise MeasureError(f"order is {order!r}, but must lie between 2 and {len(self.harmonics) + 1}")
        return self.harmonics[order - 2]


@dataclass(frozen=True, kw_only=True, eq=False)
class ModulationDistortion:
    """What a strong low tone does to a weak high one, in per cent of the high one.

    Attributes
    ----------
    second, third : Reading
        Per order: sum of the two sidebands at ``f2 +- f1`` and at ``f2 +- 2 f1`` (IEC 60268-3).
    single : Reading
        RMS of the first five pairs of sidebands.
    """

    second: Reading
    third: Reading
    single: Reading

    @property
    def readings(self) -> tuple[Reading, ...]:
        """All single figures."""
        return (self.second, self.third, self.single)


@dataclass(frozen=True, kw_only=True, eq=False)
class DifferenceDistortion:
    """What two equal tones make of each other, in per cent of the sum of their amplitudes.

    Attributes
    ----------
    second, third : Reading
        ``f2 - f1``, and the sum of ``2 f2 - f1`` and ``2 f1 - f2`` (IEC 60268-3).
    total : Reading
        RMS of ``f2 - f1`` and ``2 f1 - f2``: total difference-frequency distortion when the tones are 8 and
        11.95 kHz (from memory).
    """

    second: Reading
    third: Reading
    total: Reading

    @property
    def readings(self) -> tuple[Reading, ...]:
        """All single figures."""
        return (self.second, self.third, self.total)


@dataclass(frozen=True, kw_only=True, eq=False)
class LevelDistortion:
    """Distortion at rising levels.

    Attributes
    ----------
    thd, second, third : Curve
        THD, second and third harmonic in per cent of the fundamental, against the input level in dBFS.
    gain : Curve
        Gain of the fundamental in dB against the input level.
    operating_level : Reading
        Input level in dBFS at which the third harmonic reaches the limit.
    operating_level_output : Reading
        Level of the fundamental that comes out there.
    """

    thd: Curve
    second: Curve
    third: Curve
    gain: Curve
    operating_level: Reading
    operating_level_output: Reading

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Both single figures."""
        return (self.operating_level, self.operating_level_output)


@dataclass(frozen=True, kw_only=True, eq=False)
class FrequencyDistortion:
    """Distortion against frequency.

    Attributes
    ----------
    thd : Curve
        Root of the summed squares of all orders measured, in per cent of the fundamental, against its frequency.
    orders : tuple of Curve
        Harmonic 2, 3, ... in per cent, each as far up as it lies below half the rate.
    """

    thd: Curve
    orders: tuple[Curve, ...]


def harmonic_distortion(
    signal: FloatArray, sample_rate: float, *, frequency_hz: float | None = None, orders: int = _ORDERS
) -> HarmonicDistortion:
    """Read the harmonics of a recorded tone.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Recording of one tone, of any frequency, steady or fluttering.
    sample_rate : float
        Samples per second.
    frequency_hz : float, optional
        Frequency of the tone, found within 5 %; without it the strongest line is the tone.
    orders : int
        Highest harmonic, 2 or more.

    Returns
    -------
    HarmonicDistortion
        The power that noise adds to a line on average is taken off; a harmonic that noise hides is ``nan``
        and says so. All are ``nan``, with the reason, where there is not exactly one tone.
    """
    fit = fit_tone(signal, sample_rate, frequency_hz=frequency_hz, orders=orders)
    return _harmonics_of(fit, orders)


distortion = harmonic_distortion
"""The same by its short name: what "distortion" means unless said otherwise."""


def thd_plus_noise(
    signal: FloatArray,
    sample_rate: float,
    *,
    frequency_hz: float | None = None,
    notch_q: float = 2.0,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
) -> Reading:
    """Read distortion and noise together: what a notch leaves, over all.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Recording of one tone.
    sample_rate : float
        Samples per second.
    frequency_hz : float, optional
        Frequency of the tone; without it the strongest line is the tone.
    notch_q : float
        Q of the second-order notch, 1.2 to 3 (AES17-2015, 6.3). It takes a little off the harmonics too:
        1.7 % off a third harmonic at Q = 2.
    low_hz, high_hz : float
        Band of noise and harmonics, cut off sharply.

    Notes
    -----
    The steady line at the tone's frequency is fitted and removed, as the notch would remove it; everything else is
    weighted by the analogue notch, flutter sidebands included.
    """
    y = check_signal(signal)
    rate = check_rate(sample_rate)
    if not 1.2 <= notch_q <= 3.0:
        raise MeasureError(f"notch_q is {notch_q!r}, but AES17 allows 1.2 to 3")
    high_hz = min(high_hz, 0.5 * rate)
    if not 0.0 <= low_hz < high_hz:
        raise MeasureError(f"the band is {low_hz!r} to {high_hz!r} Hz, but must rise from 0 Hz or more")
    conditions: Conditions = {
        "notch_q": notch_q,
        "low_hz": low_hz,
        "high_hz": high_hz,
        "sample_rate_hz": rate,
        "seconds": round(len(y) / rate, 6),
    }

    def reading(value: float, sigma: float, *why: str) -> Reading:
        return Reading(
            quantity="THD+N",
            value=value,
            unit="%",
            method=f"notch of Q {notch_q:g}, residual over total, {low_hz:g} Hz to {high_hz:g} Hz",
            standard="AES17-2015 6.3",
            conditions=conditions,
            uncertainty=sigma,
            uncertainty_basis="theory (as if all of the residual were noise)"
            if math.isfinite(sigma)
            else "not stated",
            warnings=why,
        )

    fit = fit_tone(y, rate, frequency_hz=frequency_hz)
    if fit.reason:
        return reading(math.nan, math.nan, fit.reason)
    conditions["frequency_hz"] = round(fit.frequency_hz, 4)
    conditions["level_dbfs"] = round(20.0 * math.log10(fit.amplitudes[1]), 3)
    if not low_hz < fit.frequency_hz < high_hz:
        return reading(math.nan, math.nan, f"the tone at {fit.frequency_hz:.4g} Hz lies outside the band")
    moment = np.arange(len(y)) - 0.5 * (len(y) - 1)
    turn = 2.0 * np.pi * fit.frequency_hz / rate * moment
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(len(y)) + 0.5) / len(y))
    basis = np.stack([np.ones(len(y)), np.cos(turn), np.sin(turn)])
    solution = np.linalg.solve((basis * window) @ basis.T, (basis * window) @ y)
    frequencies, left = power_spectrum(y - solution @ basis, rate)
    inside = (frequencies >= low_hz) & (frequencies <= high_hz)
    ratio = frequencies[inside] / fit.frequency_hz
    notch = (1.0 - ratio**2) ** 2 / ((1.0 - ratio**2) ** 2 + (ratio / notch_q) ** 2)
    residual = float(np.sum(left[inside] * notch))
    total = 0.5 * float(solution[1] ** 2 + solution[2] ** 2) + float(np.sum(left[inside]))
    value = 100.0 * math.sqrt(residual / total)
    return reading(value, value / (2.0 * math.sqrt((high_hz - low_hz) * len(y) / rate)), *fit.warnings)


def modulation_distortion(
    signal: FloatArray, sample_rate: float, *, low_hz: float = 60.0, high_hz: float = 7_000.0
) -> ModulationDistortion:
    """Read modulation distortion from a recording of two tones, usually 60 Hz and 7 kHz, 4 to 1.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Recording, a second or more.
    sample_rate : float
        Samples per second.
    low_hz, high_hz : float
        The two tones; the high one gives the time base and is found within 5 %.
    """
    pairs = [(high_hz + k * sign * low_hz) for k in range(1, _SIDEBANDS + 1) for sign in (-1.0, 1.0)]
    fit = _two_tone_fit(signal, sample_rate, low_hz, high_hz, [low_hz, high_hz, *pairs], low_hz)
    conditions = _two_tone_conditions(fit, low_hz, high_hz, sample_rate)
    a, sigma = fit.amplitudes, fit.sigmas
    bands, doubts = a[2:].reshape(_SIDEBANDS, 2), sigma[2:].reshape(_SIDEBANDS, 2)
    # On average noise adds twice its variance per quadrature to the square of an amplitude.
    power = max(float(np.sum(bands**2 - 2.0 * doubts**2)), 0.0) if not fit.reason else math.nan
    rms = math.sqrt(power)
    carrier = float(a[1])

    def reading(quantity: str, value: float, doubt: float, standard: str, method: str) -> Reading:
        return _percent(quantity, value / carrier, doubt / carrier, standard, method, conditions, fit.reason)

    return ModulationDistortion(
        second=reading(
            "modulation distortion, second order",
            float(np.sum(bands[0])),
            float(np.hypot(*doubts[0])),
            "IEC 60268-3",
            "sum of the sidebands at f2 +- f1 over f2",
        ),
        third=reading(
            "modulation distortion, third order",
            float(np.sum(bands[1])),
            float(np.hypot(*doubts[1])),
            "IEC 60268-3",
            "sum of the sidebands at f2 +- 2 f1 over f2",
        ),
        single=reading(
            "modulation distortion, single figure",
            rms,
            float(np.sqrt(np.sum((bands * doubts) ** 2))) / rms
            if rms > 0.0
            else float(np.sqrt(np.sum(doubts**2))),
            "SMPTE practice",
            f"RMS of {_SIDEBANDS} pairs of sidebands over f2",
        ),
    )


def difference_frequency_distortion(
    signal: FloatArray, sample_rate: float, *, low_hz: float = 19_000.0, high_hz: float = 20_000.0
) -> DifferenceDistortion:
    """Read difference-frequency distortion from a recording of two equal tones.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Recording, half a second or more.
    sample_rate : float
        Samples per second.
    low_hz, high_hz : float
        The two tones; the high one gives the time base and is found within 5 %, or 0.45 of their distance.
    """
    products = [high_hz - low_hz, 2.0 * high_hz - low_hz, 2.0 * low_hz - high_hz]
    apart = min(high_hz - low_hz, abs(products[2] - high_hz + low_hz) or high_hz - low_hz)
    fit = _two_tone_fit(signal, sample_rate, low_hz, high_hz, [low_hz, high_hz, *products], high_hz - low_hz)
    conditions = _two_tone_conditions(fit, low_hz, high_hz, sample_rate)
    a, sigma = fit.amplitudes, fit.sigmas
    both = float(a[0] + a[1])
    reason = fit.reason
    if not reason and apart * fit.seconds < 4.0:
        reason = f"the products lie {apart:g} Hz apart, too close to be told apart within {fit.seconds:.2g} s"
    rms = (
        math.sqrt(max(float(a[2] ** 2 + a[4] ** 2 - 2.0 * sigma[2] ** 2 - 2.0 * sigma[4] ** 2), 0.0))
        if not reason
        else math.nan
    )

    def reading(quantity: str, value: float, doubt: float, standard: str, method: str) -> Reading:
        return _percent(quantity, value / both, doubt / both, standard, method, conditions, reason)

    return DifferenceDistortion(
        second=reading(
            "difference-frequency distortion, second order",
            float(a[2]),
            float(sigma[2]),
            "IEC 60268-3",
            "f2 - f1 over the sum of the tones",
        ),
        third=reading(
            "difference-frequency distortion, third order",
            float(a[3] + a[4]),
            float(np.hypot(sigma[3], sigma[4])),
            "IEC 60268-3",
            "2 f2 - f1 and 2 f1 - f2 over the sum of the tones",
        ),
        total=reading(
            "difference-frequency distortion, total",
            rms,
            float(np.hypot(sigma[2], sigma[4])),
            "IEC 60268-3 (from memory)",
            "RMS of f2 - f1 and 2 f1 - f2 over the sum of the tones",
        ),
    )


def distortion_against_level(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    frequency_hz: float = 1_000.0,
    levels_dbfs: Sequence[float] = tuple(range(-42, 1, 3)),
    limit_percent: float = 3.0,
    step_seconds: float = 0.3,
    settle_seconds: float = 0.12,
) -> LevelDistortion:
    """Measure distortion at rising levels, and the level at which the third harmonic reaches a limit.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``.
    sample_rate : float
        Samples per second.
    frequency_hz : float
        Tone; 1 kHz for reel, 315 or 333 Hz for cassette practice.
    levels_dbfs : sequence of float
        Rising input levels, two or more.
    limit_percent : float
        Third harmonic in per cent of the fundamental that defines the maximum operating level.
    step_seconds, settle_seconds : float
        Duration of each level, and the part of it that is left to the system's latency and memory.

    Returns
    -------
    LevelDistortion
        Once the crossing is bracketed, five finer steps around it are sent, and the level is interpolated
        between those.
    """
    under_test = as_system(system)
    rate = check_rate(sample_rate)
    steps = level_steps(
        rate,
        frequency_hz=frequency_hz,
        levels_dbfs=levels_dbfs,
        step_seconds=step_seconds,
        settle_seconds=settle_seconds,
    )
    coarse = distortion_of_steps(drive(under_test, steps.signal, rate), steps, limit_percent=limit_percent)
    if not coarse.operating_level.defined:
        return coarse
    found = coarse.operating_level.value
    fine_levels = [found + offset for offset in (-0.6, -0.3, 0.0, 0.3, 0.6)]
    fine = level_steps(
        rate,
        frequency_hz=frequency_hz,
        levels_dbfs=fine_levels,
        step_seconds=step_seconds,
        settle_seconds=settle_seconds,
    )
    refined = distortion_of_steps(drive(under_test, fine.signal, rate), fine, limit_percent=limit_percent)
    if not refined.operating_level.defined:
        return coarse
    return LevelDistortion(
        thd=coarse.thd,
        second=coarse.second,
        third=coarse.third,
        gain=coarse.gain,
        operating_level=refined.operating_level,
        operating_level_output=refined.operating_level_output,
    )


def operating_level(
    system: Callable[..., Any], sample_rate: float, *, frequency_hz: float = 1_000.0, limit_percent: float = 3.0
) -> Reading:
    """Measure the maximum operating level: the input level for a third harmonic of `limit_percent`."""
    return distortion_against_level(
        system, sample_rate, frequency_hz=frequency_hz, limit_percent=limit_percent
    ).operating_level


def distortion_of_steps(
    recording: FloatArray, steps: LevelSteps, *, limit_percent: float = 3.0
) -> LevelDistortion:
    """Read distortion at each level of a recorded run of steps.

    Parameters
    ----------
    recording : ndarray, shape (samples,)
        What came back, aligned with the steps to within their settling time.
    steps : LevelSteps
        What was sent.
    limit_percent : float
        Third harmonic that defines the maximum operating level.
    """
    y = check_signal(recording)
    if len(y) != len(steps.signal):
        raise MeasureError(f"the recording has {len(y)} samples, but the steps have {len(steps.signal)}")
    if not limit_percent > 0.0:
        raise MeasureError(f"limit_percent is {limit_percent!r}, but must be above zero")
    levels = np.array(steps.levels_dbfs)
    if len(levels) < 2 or not np.all(np.diff(levels) > 0.0):
        raise MeasureError(f"the levels are {steps.levels_dbfs!r}, but must be two or more and rise")
    fits = [
        fit_tone(y[a:b], steps.sample_rate, frequency_hz=steps.frequency_hz, orders=_ORDERS)
        for a, b in steps.windows
    ]
    tone = np.array([fit.amplitudes[1] for fit in fits])
    thd = np.array([_thd(fit)[0] for fit in fits])
    second = np.array([_debiased(fit, 2) / fit.amplitudes[1] for fit in fits])
    third = np.array([_debiased(fit, 3) / fit.amplitudes[1] for fit in fits])
    doubts = np.array([fit.sigmas[3] / fit.amplitudes[1] for fit in fits])
    with np.errstate(divide="ignore"):
        gain = 20.0 * np.log10(tone) - levels
    value, output, sigma, reason = _crossing(levels, third, doubts, gain, 0.01 * limit_percent)
    if not math.isfinite(value) and all(fit.reason for fit in fits):
        reason = fits[-1].reason
    conditions: Conditions = {
        "frequency_hz": steps.frequency_hz,
        "third_harmonic_percent": limit_percent,
        "lowest_level_dbfs": float(levels[0]),
        "highest_level_dbfs": float(levels[-1]),
        "sample_rate_hz": steps.sample_rate,
    }

    def reading(quantity: str, figure: float) -> Reading:
        return Reading(
            quantity=quantity,
            value=figure,
            unit="dBFS",
            method=f"level of {limit_percent:g} % third harmonic, interpolated between steps",
            conditions=conditions,
            uncertainty=sigma,
            uncertainty_basis="theory (noise around the third harmonic)" if math.isfinite(sigma) else "not stated",
            warnings=(reason,) if reason else (),
        )

    def curve(quantity: str, values: FloatArray, unit: str) -> Curve:
        return Curve(quantity=quantity, x=levels, y=values, x_name="input level", x_unit="dBFS", y_unit=unit)

    return LevelDistortion(
        thd=curve("THD against level", 100.0 * thd, "%"),
        second=curve("second harmonic against level", 100.0 * second, "%"),
        third=curve("third harmonic against level", 100.0 * third, "%"),
        gain=curve("gain against level", gain, "dB"),
        operating_level=reading("maximum operating level", value),
        operating_level_output=reading("maximum operating level, output", output),
    )


def distortion_against_frequency(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    level_dbfs: float = -18.0,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
    seconds: float = 4.0,
    orders: int = 5,
) -> FrequencyDistortion:
    """Measure harmonics against frequency by a synchronised sweep."""
    sweep = synchronised_sweep(
        sample_rate, low_hz=low_hz, high_hz=high_hz, seconds=seconds, tail_seconds=0.5, level_dbfs=level_dbfs
    )
    return distortion_from_sweep(drive(as_system(system), sweep.signal, sweep.sample_rate), sweep, orders=orders)


def distortion_from_sweep(
    recording: FloatArray, sweep: SynchronisedSweep, *, orders: int = 5, lead_seconds: float = 0.0
) -> FrequencyDistortion:
    """Read harmonics against frequency from a recorded synchronised sweep.

    Parameters
    ----------
    recording : ndarray, shape (samples,)
        What came back, as long as the sweep.
    sweep : SynchronisedSweep
        What was sent.
    orders : int
        Highest harmonic, 2 to 10.
    lead_seconds : float
        By how much the system sounds before its input, as a pre-echo does. The sweep cannot tell that from
        harmonics, so an order whose response ends no earlier than that is ``nan``.

    Notes
    -----
    The response of each order is cut out between its neighbours. Behind a reverb the tail of one order runs into
    the next later one; such curves show no more than an upper bound.
    """
    y = check_signal(recording)
    if len(y) != len(sweep.signal):
        raise MeasureError(f"the recording has {len(y)} samples, but the sweep has {len(sweep.signal)}")
    if isinstance(orders, bool) or not isinstance(orders, int) or not 2 <= orders <= _ORDERS:
        raise MeasureError(f"orders is {orders!r}, but must be a whole number from 2 to {_ORDERS}")
    rate = sweep.sample_rate
    highest = 0.45 * rate
    points = np.geomspace(sweep.low_hz, sweep.high_hz, int(12 * math.log2(sweep.high_hz / sweep.low_hz)) + 1)
    if unusable(y):
        missing = np.full(len(points), np.nan)
        return _frequency_distortion(points, [missing] * (orders - 1))
    size = 1 << (2 * len(y) - 1).bit_length()
    impulses = np.fft.irfft(np.fft.rfft(y, size) * sweep.inverse_spectrum(size), size)
    length = sweep.rate_seconds

    def window(k: int) -> tuple[float, float]:
        """Seconds before and after the instant of order k that are cut out."""
        after = 0.65 * length * math.log(k / (k - 1)) if k > 1 else 0.9 * length * math.log(2.0)
        return 0.35 * length * math.log((k + 1) / k), after

    def order_response(k: int, at: FloatArray) -> FloatArray:
        """Magnitude of order k at output frequencies."""
        before, after = window(k)
        start = math.floor((-length * math.log(k) - before) * rate)
        count = math.ceil((before + after) * rate)
        piece = np.take(impulses, np.arange(start, start + count), mode="wrap")
        for edge, part in (
            (slice(None, int(0.6 * before * rate)), 1),
            (slice(count - int(0.3 * after * rate), None), -1),
        ):
            ramp = piece[edge]
            fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(len(ramp)) + 0.5) / max(len(ramp), 1))
            piece[edge] = ramp * fade[::part]
        transform = 1 << max(17, (count - 1).bit_length())
        spectrum = np.abs(np.fft.rfft(piece, transform))
        return np.interp(at, np.fft.rfftfreq(transform, 1.0 / rate), spectrum)

    fundamental = order_response(1, points)
    curves = []
    for k in range(2, orders + 1):
        # The response of an order ends where the next lower one begins; the lead must not reach into it.
        apart = lead_seconds == 0.0 or length * math.log(k) - window(k)[1] > lead_seconds
        audible = (k * points <= highest) & apart
        harmonic = np.full(len(points), np.nan)
        if audible.any():
            harmonic[audible] = order_response(k, k * points[audible]) / fundamental[audible]
        curves.append(harmonic)
    return _frequency_distortion(points, curves)


def aliasing_to_signal(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    frequency_hz: float = 1_245.0,
    level_dbfs: float = -6.0,
    seconds: float = 1.0,
    settle_seconds: float = 0.5,
    highest_hz: float = 20_000.0,
) -> Reading:
    """Measure the power of all that is not harmonic, over that of tone and harmonics.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``; steady and without noise, for both count as aliasing.
    sample_rate : float
        Samples per second.
    frequency_hz : float
        Tone; it is moved to the nearest bin of a prime length.
    level_dbfs : float
        Level of the tone.
    seconds, settle_seconds : float
        Length of the period that is analysed, and what comes before it.
    highest_hz : float
        Upper end of the band that counts.

    Notes
    -----
    Sato and Smith 2025: on a prime length no folded harmonic falls on the bin of a true one.
    """
    rate = check_rate(sample_rate)
    length, exact = prime_grid(rate, frequency_hz=frequency_hz, seconds=seconds)
    settle = round(settle_seconds * rate)
    tone = steady_tone(rate, frequency_hz=exact, seconds=(settle + length) / rate, level_dbfs=level_dbfs)
    answer = drive(as_system(system), tone, rate)[settle : settle + length]
    reason = unusable(answer)
    value = math.nan if reason else aliasing_ratio_db(answer, rate, frequency_hz=exact, highest_hz=highest_hz)
    return Reading(
        quantity="aliasing to signal",
        value=value,
        unit="dB",
        method="all other bins over harmonic bins of a transform of prime length",
        conditions={
            "frequency_hz": round(exact, 6),
            "level_dbfs": level_dbfs,
            "seconds": length / rate,
            "highest_hz": min(highest_hz, 0.5 * rate),
            "sample_rate_hz": rate,
        },
        uncertainty_basis="not stated: exact for a steady system; noise and modulation count as aliasing",
        warnings=(reason,) if reason else (),
    )


def _harmonics_of(fit: ToneFit, orders: int) -> HarmonicDistortion:
    conditions: Conditions = {"sample_rate_hz": fit.sample_rate}
    method = _TRACKED if fit.tracked else _FIXED
    reason = fit.reason
    tone = float(fit.amplitudes[1])
    if not reason:
        conditions |= {
            "frequency_hz": round(fit.frequency_hz, 4),
            "level_dbfs": round(20.0 * math.log10(tone), 3),
            "seconds": round(fit.seconds, 6),
        }

    def reading(
        quantity: str, value: float, unit: str, sigma: float, *why: str, standard: str = "none"
    ) -> Reading:
        return Reading(
            quantity=quantity,
            value=value,
            unit=unit,
            method=method if not reason else "least squares",
            standard=standard,
            conditions=conditions,
            uncertainty=sigma,
            uncertainty_basis="theory (noise around each line)" if math.isfinite(sigma) else "not stated",
            warnings=(reason,) if reason else why,
        )

    missing = [k for k in range(2, orders + 1) if not math.isfinite(fit.amplitudes[k])]
    notes = fit.warnings
    if missing and not reason:
        notes = (*notes, f"harmonics from {missing[0]} up lie above half the rate and do not count")
    ratio, doubt = _thd(fit)
    total = ratio / math.sqrt(1.0 + ratio**2)
    harmonics, phases = [], []
    levels = np.full(orders, np.nan)
    levels[0] = math.nan if reason else 0.0
    for k in range(2, orders + 1):
        a, sigma, error = (float(each[k]) for each in (fit.amplitudes, fit.sigmas, fit.errors))
        why: tuple[str, ...] = ()
        level = spread = angle = turn_spread = math.nan
        if not math.isfinite(a):
            why = ("it lies above half the rate",)
        elif a**2 <= 2.0 * _DETECTION * (sigma**2 + error**2) or a <= 1e-14 * tone:
            limit = max(math.sqrt(2.0 * _DETECTION) * math.hypot(sigma, error), 1e-14 * tone) / tone
            why = (f"it lies in the noise, below {20.0 * math.log10(limit):.1f} dB",)
        else:
            level = 20.0 * math.log10(_debiased(fit, k) / tone)
            off = math.hypot(sigma, error)
            spread = math.hypot(_decibels_of(off / a), 8.686 * float(fit.sigmas[1]) / tone)
            angle = math.degrees(float(fit.phases_rad[k]))
            turn_spread = math.degrees(math.hypot(off / a, k * float(fit.sigmas[1]) / tone))
            if a < _NEAR_NOISE * off:
                why = (
                    "it hardly stands out of the noise; weaker ones would not be shown, so it reads rather high",
                )
        levels[k - 1] = level
        harmonics.append(reading(f"harmonic {k}", level, "dB", spread, *why))
        phases.append(reading(f"phase of harmonic {k}", angle, "degrees", turn_spread, *why))
    return HarmonicDistortion(
        frequency=reading(
            "frequency of the tone", fit.frequency_hz, "Hz", fit.frequency_uncertainty_hz, *fit.warnings
        ),
        level=reading(
            "level of the fundamental",
            math.nan if reason else 20.0 * math.log10(tone),
            "dBFS",
            math.nan if reason else 8.686 * float(fit.sigmas[1]) / tone,
            *fit.warnings,
        ),
        thd_f=reading("THD", 100.0 * ratio, "%", 100.0 * doubt, *notes, standard="IEC 60268-3 (THD_F)"),
        thd_r=reading(
            "THD of the total",
            100.0 * total,
            "%",
            100.0 * doubt * (total / ratio) ** 3 if ratio > 0.0 else 100.0 * doubt,
            *notes,
            standard="THD_R",
        ),
        harmonics=tuple(harmonics),
        phases=tuple(phases),
        spectrum=Curve(
            quantity="harmonics",
            x=np.arange(1.0, orders + 1.0),
            y=levels,
            x_name="order",
            x_unit="",
            y_unit="dB",
        ),
    )


def _debiased(fit: ToneFit, order: int) -> float:
    """Amplitude without the power that noise adds on average; ``nan`` stays ``nan``."""
    a, sigma = float(fit.amplitudes[order]), float(fit.sigmas[order])
    return math.sqrt(max(a**2 - 2.0 * sigma**2, 0.0)) if math.isfinite(a) else math.nan


def _decibels_of(doubt: float) -> float:
    """Uncertainty in dB of an amplitude with a relative one: half the way down to where two of these lead.

    Decibels are not even-handed, and a line that hardly stands out was seen because the noise has lifted it.
    """
    lifted = max(0.0, _NEAR_NOISE - 1.0 / doubt) if doubt > 0.0 else 0.0
    return -10.0 * math.log10(1.0 - (2.0 + 0.3 * lifted) * doubt)


def _thd(fit: ToneFit) -> tuple[float, float]:
    """THD_F as a ratio, and its standard uncertainty."""
    if fit.reason:
        return math.nan, math.nan
    tone = float(fit.amplitudes[1])
    present = np.isfinite(fit.amplitudes)
    present[:2] = False
    if not present.any():
        return math.nan, math.nan
    squares, variances = fit.amplitudes[present] ** 2, fit.sigmas[present] ** 2
    power = max(float(np.sum(squares - 2.0 * variances)), 0.0)
    # An amplitude A in noise of variance v per quadrature has a square of variance 4 A^2 v + 4 v^2.
    clean = np.maximum(squares - 2.0 * variances, 0.0)
    spread = float(np.sum(4.0 * clean * variances + 4.0 * variances**2))
    spread = math.sqrt(spread + float(np.sum(4.0 * clean * fit.errors[present] ** 2)))
    root = math.sqrt(power)
    # Two of them to either side, for the root of a power that noise may hide is not even-handed.
    above = math.sqrt(power + 2.0 * spread) - root
    below = root - math.sqrt(max(power - 2.0 * spread, 0.0))
    method = math.sqrt(float(np.sum(fit.errors[present] ** 2)))
    ratio = root / tone
    return ratio, math.hypot(0.5 * max(above, below), method, ratio * float(fit.sigmas[1])) / tone


def _percent(
    quantity: str, ratio: float, doubt: float, standard: str, method: str, conditions: Conditions, reason: str
) -> Reading:
    return Reading(
        quantity=quantity,
        value=math.nan if reason else 100.0 * ratio,
        unit="%",
        method=method,
        standard=standard,
        conditions=conditions,
        uncertainty=math.nan if reason else 100.0 * doubt,
        uncertainty_basis="not stated" if reason else "theory (noise around each line)",
        warnings=(reason,) if reason else (),
    )


def _two_tone_fit(
    signal: FloatArray, sample_rate: float, low_hz: float, high_hz: float, lines: list[float], apart: float
) -> LineFit:
    rate = check_rate(sample_rate)
    if not 0.0 < low_hz < high_hz < 0.5 * rate:
        raise MeasureError(
            f"the tones are {low_hz!r} and {high_hz!r} Hz, but must rise and lie below half the rate"
        )
    if max(lines) >= 0.499 * rate or min(lines) <= 0.0:
        raise MeasureError(
            f"the products of {low_hz:g} and {high_hz:g} Hz reach from {min(lines):g} to {max(lines):g} Hz, "
            f"beyond 0 to {0.5 * rate:g} Hz; choose other tones"
        )
    # A tape may run wrong by 5 %, but the other tone must not be taken for this one.
    within = min(0.05, 0.45 * (high_hz - low_hz) / high_hz)
    fit = fit_lines(signal, rate, reference_hz=high_hz, lines_hz=lines, neighbour_hz=apart, within=within)
    if fit.reason:
        return fit
    held = 0.5 * float(np.sum(fit.amplitudes**2))
    why = ""
    if not held > 0.5 * fit.total_rms**2:
        why = f"the two tones and their products hold only {100.0 * held / fit.total_rms**2:.0f} % of the power"
    elif not 0.02 < fit.amplitudes[0] / fit.amplitudes[1] < 50.0:
        why = f"one of the tones at {low_hz:g} and {high_hz:g} Hz is missing"
    return LineFit(
        reference_hz=fit.reference_hz,
        amplitudes=fit.amplitudes,
        sigmas=fit.sigmas,
        residual_rms=fit.residual_rms,
        total_rms=fit.total_rms,
        seconds=fit.seconds,
        reason=why,
    )


def _two_tone_conditions(fit: LineFit, low_hz: float, high_hz: float, rate: float) -> Conditions:
    conditions: Conditions = {"low_hz": low_hz, "high_hz": high_hz, "sample_rate_hz": float(rate)}
    if not fit.reason:
        conditions |= {
            "amplitude_ratio": round(float(fit.amplitudes[0] / fit.amplitudes[1]), 4),
            "level_dbfs": round(20.0 * math.log10(float(fit.amplitudes[0] + fit.amplitudes[1])), 3),
            "seconds": round(fit.seconds, 6),
        }
    return conditions


def _crossing(
    levels: FloatArray, third: FloatArray, doubts: FloatArray, gain: FloatArray, limit: float
) -> tuple[float, float, float, str]:
    """Input level, output level, uncertainty in dB and reason, for the first rise through the limit."""
    from scipy.interpolate import PchipInterpolator

    known = np.isfinite(third) & (third > 0.0)
    if np.count_nonzero(known) < 2:
        return math.nan, math.nan, math.nan, "no third harmonic was found at two levels or more"
    x, ratio_db = levels[known], 20.0 * np.log10(third[known] / limit)
    over = np.flatnonzero((ratio_db[1:] >= 0.0) & (ratio_db[:-1] < 0.0))
    if not len(over):
        if np.all(ratio_db >= 0.0):
            return (
                math.nan,
                math.nan,
                math.nan,
                (
                    f"the third harmonic exceeds {100 * limit:g} % already at {x[0]:g} dBFS "
                    f"({100 * third[known][0]:.3g} %)"
                ),
            )
        return (
            math.nan,
            math.nan,
            math.nan,
            (
                f"the third harmonic does not reach {100 * limit:g} %: it is {100 * third[known][-1]:.3g} % "
                f"at {x[-1]:g} dBFS"
            ),
        )
    i = int(over[0])
    # The law is smooth: a cubic through the four points around the crossing is good to 1e-4 dB at 0.3 dB steps.
    near = slice(max(0, i - 1), i + 3)
    law = np.polynomial.Polynomial.fit(x[near], ratio_db[near], min(3, len(x[near]) - 1))
    low, high = float(x[i]), float(x[i + 1])
    steepness = (ratio_db[i + 1] - ratio_db[i]) / (high - low)
    if law(low) < 0.0 <= law(high):
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if law(middle) < 0.0 else (low, middle)
    else:
        low = high = float(x[i] - ratio_db[i] / steepness)
    value = 0.5 * (low + high)
    sigma = 8.686 * float(np.max(doubts[known][i : i + 2] / third[known][i : i + 2])) / steepness
    output = value + float(PchipInterpolator(x, gain[known])(value))
    return value, output, sigma, ""


def _frequency_distortion(points: FloatArray, curves: list[FloatArray]) -> FrequencyDistortion:
    def curve(quantity: str, ratio: FloatArray) -> Curve:
        return Curve(quantity=quantity, x=points, y=100.0 * ratio, x_name="frequency", x_unit="Hz", y_unit="%")

    stacked = np.array(curves)
    known = np.isfinite(stacked)
    total = np.sqrt(np.sum(np.where(known, stacked, 0.0) ** 2, axis=0))
    total[~known.any(axis=0)] = np.nan
    return FrequencyDistortion(
        thd=curve("THD against frequency", total),
        orders=tuple(curve(f"harmonic {k + 2} against frequency", ratio) for k, ratio in enumerate(curves)),
    )
