"""Amplitude fluctuation: how unsteady the level of a recorded tone is, and where it drops out."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from measure.errors import MeasureError
from measure.parts import detectors, weighting
from measure.parts.demodulation import Demodulated, decimate, demodulate
from measure.parts.fluctuation import Fluctuation, Line, steady_rms, whole_periods
from measure.parts.steady_lines import decompose
from measure.parts.steady_tone import NotMeasurableError
from measure.results import Condition, Conditions, Curve, Reading, Result, undefined
from measure.validation import FloatArray, check_rate, check_signal

__all__ = ["AmplitudeLine", "AmplitudeResult", "ChannelAmplitude", "Dropout", "amplitude_fluctuation"]

_NOMINAL_HZ = (3150.0, 3000.0)
_PERIODS = 2.0
_LARGEST_LOSS = 0.3
_FLOOR_DB = -120.0
_LENGTH_CLASSES_SECONDS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
_READING_LIMIT = 1e-4
_DROPOUT_METHOD = "dips of the envelope below the median of the second around them"


@dataclass(frozen=True, kw_only=True)
class AmplitudeLine:
    """One steady component of the amplitude.

    Attributes
    ----------
    rate_hz : float
        Its frequency.
    peak_percent : float
        Peak deviation from the mean amplitude.
    level_db : float
        Relative to the strongest line.
    """

    rate_hz: float
    peak_percent: float
    level_db: float


@dataclass(frozen=True, kw_only=True)
class Dropout:
    """One dip of the envelope below the threshold.

    Attributes
    ----------
    start_seconds, length_seconds : float
        Where it falls below the threshold and for how long.
    depth_db : float
        Its deepest point re the level around it; positive.
    """

    start_seconds: float
    length_seconds: float
    depth_db: float


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ChannelAmplitude(Result):
    """What one channel says about the level.

    Attributes
    ----------
    depth : mapping of str to Reading
        Deviation of the envelope from its mean in %, ``peak``, ``rms`` and ``two_sigma``.
    level : mapping of str to Reading
        Deviation of the level in dB, ``peak`` and ``rms``.
    excess_kurtosis : Reading
        Of the envelope: 0 for Gaussian fluctuation, -1.5 for a sine.
    dropout_count : Reading
        Number of dropouts in the recording.
    dropouts : tuple of Dropout
        Each of them, in order of time.
    dropout_lengths : Curve
        Number of dropouts by class of length; the abscissa is the lower end of the class, the last is open.
    spectrum : Curve
        Peak deviation (%) of a line over its rate (Hz).
    lines : tuple of AmplitudeLine
        Steady components, strongest first.
    """

    depth: Mapping[str, Reading]
    level: Mapping[str, Reading]
    excess_kurtosis: Reading
    dropout_count: Reading
    dropouts: tuple[Dropout, ...]
    spectrum: Curve
    dropout_lengths: Curve
    lines: tuple[AmplitudeLine, ...]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class AmplitudeResult(Result):
    """Amplitude fluctuation of all channels.

    Attributes
    ----------
    channels : tuple of ChannelAmplitude
        In the order of the signal.
    correlation : tuple of Reading
        Correlation of the envelopes in the band, for each pair of channels (first with second, first with
        third, ...).
    """

    channels: tuple[ChannelAmplitude, ...]
    correlation: tuple[Reading, ...]


def amplitude_fluctuation(
    signal: "npt.ArrayLike",
    sample_rate: float,
    *,
    carrier_hz: float | None = None,
    band_hz: tuple[float, float] = (0.2, 200.0),
    dropout_db: float = 6.0,
    dropout_seconds: float = 0.001,
) -> AmplitudeResult:
    """Fluctuation of the level of a recorded tone.

    Parameters
    ----------
    signal : array_like, shape (samples,) or (channels, samples)
        Recording of a steady tone, the same one in all channels.
    sample_rate : float
        Samples per second.
    carrier_hz : float, optional
        Nominal frequency of the tone; recognised within 3 % of 3150 or 3000 Hz if left out.
    band_hz : (float, float)
        Band of the readings, flat between its ends (both included), with slopes of one octave below and of
        0.25 % above. Two periods of its lower end must have been recorded.
    dropout_db : float
        How far the envelope must fall below the level around it (median over a second) to count as a dropout.
    dropout_seconds : float
        Shortest dropout that counts; 0.5 ms or more (at 3150 Hz the envelope follows no faster).

    Returns
    -------
    AmplitudeResult
        Readings of ``nan`` with the reason where the recording does not allow a figure.

    Raises
    ------
    MeasureError
        If an argument has the wrong type or shape or lies outside its range.

    Notes
    -----
    The envelope is the magnitude of the analytic signal (see `measure.parts.demodulation`); frequency modulation
    is not seen in it. Lines pass the filters exactly (see `measure.parts.fluctuation`). There is no standard for
    tones; the RMS depth is the ratio of standard deviation to mean by which tape is compared in the literature on
    modulation noise (Hedeman 1985).

    The standard uncertainty is that of :func:`measure.quantities.flutter.flutter`: noise beside the carrier as if
    all its power were bias, the scatter of the random part over the duration, and 0.01 % for the numbers.
    """
    channels, rate = check_signal(signal, channels=True), check_rate(sample_rate)
    protocol = _protocol(carrier_hz, band_hz, dropout_db, dropout_seconds)
    shared: Conditions = {
        "band_hz": f"{protocol.low_hz:g} to {protocol.high_hz:g}",
        "sample_rate_hz": rate,
    }
    read = [_channel(samples, rate, protocol, {"channel": i, **shared}) for i, samples in enumerate(channels)]
    return AmplitudeResult(
        channels=tuple(each.result for each in read),
        correlation=tuple(
            _correlation(a, b, read[a], read[b], shared) for a in range(len(read)) for b in range(a + 1, len(read))
        ),
    )


class _Protocol(NamedTuple):
    """How a recording is read."""

    carrier_hz: float | None
    low_hz: float
    high_hz: float
    dropout_db: float
    dropout_seconds: float

    def band(self, frequency: FloatArray) -> FloatArray:
        """Gain of the band: flat between its ends."""
        above = weighting.raised_cosine(frequency, self.high_hz * (1.0 + 1e-5), self.high_hz * 1.0025)
        return above * weighting.raised_cosine(frequency, self.low_hz * (1.0 - 1e-5), 0.5 * self.low_hz)

    def demodulated(self, samples: FloatArray, rate: float) -> Demodulated:
        """The tone of a channel; refused where there is none."""
        return demodulate(
            samples,
            rate,
            nominal_hz=_NOMINAL_HZ if self.carrier_hz is None else (self.carrier_hz,),
            given=self.carrier_hz is not None,
            highest_rate_hz=self.high_hz,
            largest_loss=_LARGEST_LOSS,
        )

    def split(self, series: FloatArray, rate: float) -> Fluctuation:
        """A course of the level as lines and a random rest."""
        return decompose(series, rate, highest_hz=1.2 * self.high_hz, slowest_hz=self.low_hz)


def _protocol(
    carrier_hz: float | None, band_hz: tuple[float, float], dropout_db: float, dropout_seconds: float
) -> _Protocol:
    if carrier_hz is not None and not (math.isfinite(carrier_hz) and carrier_hz > 0.0):
        raise MeasureError(f"carrier_hz is {carrier_hz!r}, but must be finite and above zero")
    low, high = (float(end) for end in band_hz)
    if not (low > 0.0 and 2.0 * low <= high and math.isfinite(high)):
        raise MeasureError(f"band_hz is {band_hz!r}, but must go from above 0 Hz up by at least an octave")
    if not 0.0 < dropout_db < -_FLOOR_DB:
        raise MeasureError(f"dropout_db is {dropout_db!r}, but must lie between 0 and {-_FLOOR_DB:g}")
    if not dropout_seconds >= 0.0005:
        raise MeasureError(f"dropout_seconds is {dropout_seconds!r}, but must be 0.0005 or more")
    return _Protocol(carrier_hz, low, high, dropout_db, dropout_seconds)


class _Channel(NamedTuple):
    """What one channel says, and its envelope in the band for the correlation with others."""

    result: ChannelAmplitude
    envelope: FloatArray
    rate: float
    reason: str  # why there is no envelope; empty when there is one


class _Course(NamedTuple):
    """A course of the level in the band, in one unit, and what its readings are doubted by."""

    series: FloatArray
    rate: float
    whole: int  # samples of whole periods of its lines
    lines: tuple[Line, ...]
    noise: float  # RMS that the noise beside the carrier adds
    scatter: float  # relative, of the RMS of the random part over the duration


def _channel(samples: FloatArray, rate: float, protocol: _Protocol, conditions: Conditions) -> _Channel:
    try:
        tone = protocol.demodulated(samples, rate)
        low, high = protocol.low_hz, protocol.high_hz
        series, series_rate, _ = decimate(tone.amplitude, tone.rate, highest_hz=high)
    except NotMeasurableError as refusal:
        return _Channel(_nothing(str(refusal), conditions), np.empty(0), math.nan, str(refusal))
    split = protocol.split(series, series_rate)
    conditions = conditions | {
        "tone_hz": round(tone.carrier_hz, 4),
        "level_dbfs": round(20.0 * math.log10(split.mean), 2),
        "duration_seconds": round(split.duration_seconds, 3),
    }
    reason = ""
    if split.duration_seconds < _PERIODS / low:
        reason = (
            f"{split.duration_seconds:.3g} s can be used, too short for the band asked: {_PERIODS / low:.3g} s "
            "are needed"
        )
    envelope, filtered_rate, lines = split.filtered(protocol.band, rate=20.0 * high)
    levels = 20.0 * np.log10(np.maximum(series / split.mean, 10.0 ** (_FLOOR_DB / 20.0)))
    level, _, level_lines = protocol.split(levels, series_rate).filtered(protocol.band, rate=20.0 * high)
    relative_lines = tuple(Line(line.rate_hz, 100.0 / split.mean * line.amplitude) for line in lines)
    whole = whole_periods(lines, split.duration_seconds, filtered_rate)
    gain = np.square(protocol.band(np.linspace(0.0, 1.01 * high, 4096)))
    noise = math.sqrt(2.0 * tone.noise_density * float(np.mean(gain)) * 1.01 * high) / split.mean
    scatter = split.scatter(protocol.band, lines, whole / filtered_rate)
    relative = envelope / split.mean
    depth = _Course(100.0 * relative, filtered_rate, whole, relative_lines, 100.0 * noise, scatter)
    in_db = _Course(level, filtered_rate, whole, level_lines, 20.0 / math.log(10.0) * noise, scatter)
    result = ChannelAmplitude(
        depth=_depths(depth, "%", tone, reason, conditions),
        level=_depths(in_db, "dB", tone, reason, conditions),
        excess_kurtosis=_kurtosis(relative[:whole], split, scatter, reason, conditions),
        **_dropouts(tone, protocol.dropout_db, protocol.dropout_seconds, conditions),
        spectrum=_spectrum(split, high, conditions),
        lines=_lines(split, high),
    )
    return _Channel(result, relative, filtered_rate, reason)


_METHODS = {
    "peak": "largest absolute value",
    "rms": "RMS",
    "two_sigma": "threshold exceeded 5 % of the time",
}


def _depths(
    course: _Course, unit: str, tone: Demodulated, reason: str, conditions: Mapping[str, Condition]
) -> dict[str, Reading]:
    quantity = "amplitude fluctuation" if unit == "%" else "level fluctuation"
    kinds = ("peak", "rms", "two_sigma") if unit == "%" else ("peak", "rms")
    if reason:
        return {kind: undefined(quantity, unit, reason, conditions, method=_METHODS[kind]) for kind in kinds}
    whole = course.series[: course.whole]
    values = {
        "peak": (detectors.peak(course.series), 3.5, 1.345),
        "rms": (steady_rms(whole, course.rate, course.lines), 1.0, 1.0),
        "two_sigma": (detectors.two_sigma(whole), 1.960, 1.345),
    }
    readings = {}
    for kind in kinds:
        value, gaussian, factor = values[kind]
        floor = course.noise * gaussian
        bias = value - math.sqrt(max(value**2 - floor**2, 0.0))
        parts = (bias, value * course.scatter * factor, value * _READING_LIMIT)
        warnings = tone.warnings
        if floor > 0.5 * value > 0.0:
            warnings = (*warnings, f"mostly noise of the recording, which alone reads {floor:.2g} {unit}")
        readings[kind] = Reading(
            quantity=quantity,
            value=value,
            unit=unit,
            method=_METHODS[kind],
            conditions={**conditions, f"noise_{'percent' if unit == '%' else 'db'}": course.noise},
            uncertainty=math.sqrt(sum(part**2 for part in parts)),
            uncertainty_basis="theory: noise beside the carrier, random part over the duration",
            warnings=warnings,
        )
    return readings


def _kurtosis(
    series: FloatArray, split: Fluctuation, scatter: float, reason: str, conditions: Mapping[str, Condition]
) -> Reading:
    variance = float(np.mean(np.square(series)))
    if not reason and variance < 1e-18:
        reason = "the amplitude does not fluctuate"
    if reason:
        return undefined("excess kurtosis of the envelope", "", reason, conditions, method="fourth moment")
    # N independent samples of a Gaussian: the RMS scatters by 1 / sqrt(2 N), the kurtosis by sqrt(24 / N).
    return Reading(
        quantity="excess kurtosis of the envelope",
        value=float(np.mean(series**4)) / variance**2 - 3.0,
        unit="",
        method="fourth moment over squared variance, less 3",
        conditions=conditions,
        uncertainty=math.sqrt(48.0) * scatter,
        uncertainty_basis="theory, as for Gaussian fluctuation: random part over the duration",
    )


def _correlation(
    first: int, second: int, one: _Channel, other: _Channel, conditions: Mapping[str, Condition]
) -> Reading:
    from scipy import fft

    quantity = f"correlation of the envelopes of channels {first} and {second}"
    for index, each in ((first, one), (second, other)):
        if each.reason:
            return undefined(quantity, "", f"channel {index}: {each.reason}", conditions, method="Pearson")
    for index, each in ((first, one), (second, other)):
        if float(np.mean(np.square(each.envelope))) < 1e-18:
            reason = f"the amplitude of channel {index} does not fluctuate"
            return undefined(quantity, "", reason, conditions, method="Pearson")
    a, b = one.envelope, other.envelope
    count = min(a.size, b.size)
    a, b = a[:count], b[:count]
    value = float(np.sum(a * b) / math.sqrt(float(np.sum(a * a)) * float(np.sum(b * b))))
    power_a, power_b = np.square(np.abs(fft.rfft(a))), np.square(np.abs(fft.rfft(b)))
    independent = float(np.sum(power_a) * np.sum(power_b) / np.sum(power_a * power_b)) * 2.0
    return Reading(
        quantity=quantity,
        value=value,
        unit="",
        method="Pearson",
        conditions={**conditions, "duration_seconds": round(count / other.rate, 3)},
        uncertainty=(1.0 - value**2) / math.sqrt(max(independent - 1.0, 1.0)),
        uncertainty_basis=f"theory: {independent:.3g} independent samples, from the spectra",
    )


def _dropouts(
    tone: Demodulated, dropout_db: float, dropout_seconds: float, conditions: Mapping[str, Condition]
) -> dict[str, Any]:
    """Count, list and histogram of the dips of the envelope."""
    block = max(1, round(0.1 * tone.rate))
    starts = np.arange(0, tone.amplitude.size, block)
    medians = np.array([np.median(tone.amplitude[start : start + block]) for start in starts])
    around = np.array([np.median(medians[max(i - 5, 0) : i + 6]) for i in range(medians.size)])
    reference = np.interp(np.arange(tone.amplitude.size), starts + 0.5 * block, around)
    floor = 10.0 ** (_FLOOR_DB / 20.0)
    depth = -20.0 * np.log10(np.maximum(tone.amplitude / np.maximum(reference, 1e-300), floor))
    below = np.concatenate([[False], depth >= dropout_db, [False]])
    edges = np.flatnonzero(below[1:] != below[:-1])
    found: list[Dropout] = []
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        # The threshold is passed between two points.
        enter = _crossing(depth, int(start), dropout_db)
        leave = _crossing(depth, int(stop), dropout_db)
        length = (leave - enter) / tone.rate
        if length >= dropout_seconds:
            found.append(
                Dropout(
                    start_seconds=float(tone.start_seconds + enter / tone.rate),
                    length_seconds=float(length),
                    depth_db=float(np.max(depth[start:stop])),
                )
            )
    lengths = np.array([each.length_seconds for each in found])
    classes = np.array([edge for edge in _LENGTH_CLASSES_SECONDS if edge > dropout_seconds])
    classes = np.concatenate([[dropout_seconds], classes])
    counts, _ = np.histogram(lengths, bins=np.concatenate([classes, [np.inf]]))
    known = {**conditions, "threshold_db": dropout_db, "shortest_seconds": dropout_seconds}
    return {
        "dropout_count": Reading(
            quantity="dropouts",
            value=float(len(found)),
            unit="",
            method=_DROPOUT_METHOD,
            conditions=known,
            uncertainty=math.sqrt(max(len(found), 1)),
            uncertainty_basis="theory: Poisson statistics of independent dropouts",
        ),
        "dropouts": tuple(found),
        "dropout_lengths": Curve(
            quantity="dropouts by length",
            x=classes,
            y=counts,
            x_name="length, from",
            x_unit="s",
            y_unit="",
            method=_DROPOUT_METHOD,
            conditions=known,
        ),
    }


def _crossing(depth: FloatArray, index: int, threshold: float) -> float:
    """Fractional index, just before `index`, at which the depth passes the threshold."""
    if not 0 < index < depth.size:
        return float(index)
    before, after = float(depth[index - 1]), float(depth[index])
    return index - 1 + (threshold - before) / (after - before)


def _spectrum(split: Fluctuation, high: float, conditions: Mapping[str, Condition]) -> Curve:
    at, spectrum = split.amplitude_spectrum()
    shown = at <= high
    return _spectrum_curve(at[shown], 100.0 / split.mean * spectrum[shown], conditions)


def _spectrum_curve(
    at: FloatArray, percent: FloatArray, conditions: Mapping[str, Condition], *warnings: str
) -> Curve:
    return Curve(
        quantity="spectrum of the amplitude fluctuation",
        x=at,
        y=percent,
        x_name="rate",
        x_unit="Hz",
        y_unit="% peak",
        method="amplitude spectrum of the envelope",
        conditions=conditions,
        warnings=warnings,
    )


def _lines(split: Fluctuation, high: float) -> tuple[AmplitudeLine, ...]:
    kept: list[Line] = [line for line in split.lines if line.rate_hz <= high * (1.0 + 1e-5)]
    return tuple(
        AmplitudeLine(
            rate_hz=line.rate_hz,
            peak_percent=100.0 * abs(line.amplitude) / split.mean,
            level_db=20.0 * math.log10(abs(line.amplitude) / abs(kept[0].amplitude)),
        )
        for line in kept
    )


def _nothing(reason: str, conditions: Mapping[str, Condition]) -> ChannelAmplitude:
    def group(quantity: str, unit: str, kinds: tuple[str, ...]) -> dict[str, Reading]:
        return {kind: undefined(quantity, unit, reason, conditions, method=_METHODS[kind]) for kind in kinds}

    empty = np.empty(0)
    return ChannelAmplitude(
        depth=group("amplitude fluctuation", "%", ("peak", "rms", "two_sigma")),
        level=group("level fluctuation", "dB", ("peak", "rms")),
        excess_kurtosis=undefined(
            "excess kurtosis of the envelope", "", reason, conditions, method="fourth moment"
        ),
        dropout_count=undefined("dropouts", "", reason, conditions, method="dips of the envelope"),
        dropouts=(),
        dropout_lengths=Curve(
            quantity="dropouts by length",
            x=empty,
            y=empty,
            x_name="length, from",
            x_unit="s",
            y_unit="",
            method=_DROPOUT_METHOD,
            conditions=conditions,
            warnings=(reason,),
        ),
        spectrum=_spectrum_curve(empty, empty, conditions, reason),
        lines=(),
    )
