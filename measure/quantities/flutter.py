"""Wow and flutter: how unsteady the speed of a recorder is, read from a recorded tone."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from measure.errors import MeasureError
from measure.parts import detectors, weighting
from measure.parts.demodulation import Demodulated, decimate, demodulate
from measure.parts.fluctuation import (
    Fluctuation,
    Line,
    Response,
    beats,
    fast_length,
    oscillations,
    steady_rms,
    whole_periods,
)
from measure.parts.mixture import Kind, Mixture
from measure.parts.slow_extremes import slow_extremes
from measure.parts.steady_lines import decompose, spectral_lines
from measure.parts.steady_tone import NotMeasurableError
from measure.results import Condition, Curve, Reading, Result, undefined
from measure.validation import FloatArray, check_rate, check_signal

__all__ = ["FlutterLine", "FlutterResult", "flutter", "scrape_flutter"]

DETECTORS = ("two_sigma", "quasi_peak", "rms", "mean", "peak")
"""Detectors that :func:`flutter` reads by."""

_NOMINAL_HZ = (3150.0, 3000.0)
_SCRAPE_NOMINAL_HZ = (10_000.0, 12_500.0)
_TWO_SIGMA_SECONDS = 5.0
_PERIODS = 2.0
_METHODS = {
    "two_sigma": "two-sigma: threshold exceeded 5 % of the time",
    "quasi_peak": "quasi-peak, maximum",
    "rms": "RMS",
    "mean": "mean of absolute value",
    "peak": "largest absolute value",
}
# What the two kinds of peak read of Gaussian deviation, in standard deviations, about.
_GAUSSIAN_PEAK = {"quasi_peak": 2.0, "peak": 3.5}
# The standard gives the quasi-peak meter a response with tolerances, not a circuit: pulses of 60 ms read 90 +- 6 %
# (tolerance from memory). Meters that keep it differ like this, evenly distributed.
_QUASI_PEAK_MODEL = 0.06 / math.sqrt(3.0)
_READING_LIMIT = 1e-4
_DRIFT_ENDS = 0.005  # an eighth of a second of a drift over 20 s
_GAUSSIAN_READING = {"two_sigma": 1.960, "rms": 1.0, "mean": 0.798, **_GAUSSIAN_PEAK}
_BASIS = "theory: noise beside the carrier, random part and beats over the duration"
_MODEL_BASIS = f"{_BASIS}; tolerance that the standard leaves to the meter"


@dataclass(frozen=True, kw_only=True)
class FlutterLine:
    """One steady component of the deviation: what a rotating part contributes.

    Attributes
    ----------
    rate_hz : float
        Its frequency; a part of diameter D turns v / (pi D) times a second at the tape speed v.
    peak_percent : float
        Peak deviation it causes.
    weighted_percent : float
        The same behind the weighting network; ``nan`` where no weighting is defined (scrape flutter).
    level_db : float
        Relative to the strongest line.
    """

    rate_hz: float
    peak_percent: float
    weighted_percent: float
    level_db: float


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class FlutterResult(Result):
    """All that one recorded tone says about the speed.

    Attributes
    ----------
    speed_error : Reading
        Mean frequency re the nominal one, in %.
    drift : Reading
        Half the peak-to-peak of the deviation slower than the band, in %.
    weighted, unweighted : mapping of str to Reading
        The deviation in %, by detector: ``two_sigma``, ``quasi_peak``, ``rms``, ``mean``, ``peak``. Empty where
        no weighting is defined.
    wow, flutter : mapping of str to Reading
        The unweighted deviation below and above the limit between wow and flutter; empty for scrape flutter.
    spectrum : Curve
        Peak deviation (%) of a line over its rate (Hz).
    deviation : Curve
        Deviation (%) over time (s) up to the upper end of the band, to 200 Hz at most for scrape flutter.
    lines : tuple of FlutterLine
        Steady components, strongest first.
    """

    speed_error: Reading
    drift: Reading
    weighted: Mapping[str, Reading]
    unweighted: Mapping[str, Reading]
    wow: Mapping[str, Reading]
    flutter: Mapping[str, Reading]
    spectrum: Curve
    deviation: Curve
    lines: tuple[FlutterLine, ...]

    def __str__(self) -> str:
        rows = [str(reading) for reading in self.readings]
        rows += [f"line at {line.rate_hz:.4g} Hz: {line.peak_percent:.3g} % peak" for line in self.lines]
        return "\n".join(rows)


def flutter(
    signal: "npt.ArrayLike",
    sample_rate: float,
    *,
    carrier_hz: float | None = None,
    band_hz: tuple[float, float] = (0.2, 200.0),
    wow_limit_hz: float = 10.0,
) -> FlutterResult:
    """Wow and flutter of a recorded tone.

    Parameters
    ----------
    signal : array_like, shape (samples,)
        Recording of a steady tone, 3150 Hz (IEC 60386, AES6) or 3000 Hz (older practice), 20 s or longer for
        everything to be read: slow deviations need two periods of the lower end of the band, two-sigma 5 s.
    sample_rate : float
        Samples per second.
    carrier_hz : float, optional
        Nominal frequency of the tone; recognised within 3 % of 3150 or 3000 Hz if left out.
    band_hz : (float, float)
        Band of the unweighted readings, flat between its ends (both included), with slopes of one octave below
        and of 0.25 % above. The weighted readings have the same upper end and the network's own lower one.
    wow_limit_hz : float
        Rate that parts wow from flutter. Documents differ: 10 Hz (the default, an IEEE-type glossary), 4 Hz
        (old split), 6 Hz (from memory).

    Returns
    -------
    FlutterResult
        Readings of ``nan`` with the reason where the recording does not allow a figure.

    Raises
    ------
    MeasureError
        If an argument has the wrong type or shape, or the band is empty.

    Notes
    -----
    The tone's instantaneous frequency comes from its analytic signal (see `measure.parts.demodulation`). Steady
    components are fitted (`measure.parts.steady_lines`) and pass the filters exactly, so a sinusoidal deviation
    in the band is read without bias even if only a few of its periods were recorded. Mean and two-sigma
    are taken over whole periods of the strong components as far as one stretch can hold them, the RMS with the
    components as if they went on for ever.

    The standard uncertainty has these parts: what the noise of the recording (its density is read beside the
    sidebands and passed through the differentiation and the filter), or a weak second tone, adds, as if all of
    it were bias; the scatter of the random part of the deviation over the duration, from its spectrum, so that
    two sigma hold the truth in about 95 % of recordings also where few independent samples were recorded and the
    spectrum has steps (91.2 to 99.5 % in 200 trials or more a case of 10.5 to 60 s); how lines that
    beat scatter over stretches of that duration; the part of the time that is bridged over dropouts and
    jumps of phase; an echo that the envelope betrays; harmonics of a clipped tone that fold back; for
    quasi-peak the tolerance that the standard leaves to
    the meter; and 0.01 % of the reading for the numbers. It does not hold the tolerance of the weighting
    network nor the error of the sampling clock. Random flutter whose band is narrower than about three times 1
    / duration looks like a line and counts as one; an echo cannot be told from speed where the deviation turns
    the tone by less than a fifth of a radian.
    """
    array, rate, low, high = _arguments(signal, sample_rate, carrier_hz, band_hz)
    if not low < wow_limit_hz < high:
        raise MeasureError(
            f"wow_limit_hz is {wow_limit_hz!r}, but must lie inside band_hz, {low:g} to {high:g} Hz"
        )
    names = _names(low, high, wow_limit_hz)
    given: dict[str, Condition] = {"band_hz": f"{low:g} to {high:g}", "sample_rate_hz": rate}
    nominal = _NOMINAL_HZ if carrier_hz is None else (carrier_hz,)
    try:
        tone = demodulate(array, rate, nominal_hz=nominal, given=carrier_hz is not None, highest_rate_hz=high)
        series, series_rate, later = decimate(tone.frequency_hz, tone.rate, highest_hz=high)
    except NotMeasurableError as refusal:
        return _nothing(str(refusal), names, given)

    split = decompose(series, series_rate, highest_hz=1.2 * high, slowest_hz=low)
    percent = 100.0 / split.mean
    conditions = _conditions(tone, split.duration_seconds, split.mean, given)
    slow_seconds = max(_TWO_SIGMA_SECONDS, _PERIODS / low)
    oversampling = 40.0 if 40.0 * high * split.duration_seconds < 1e6 else 12.0
    groups: dict[str, dict[str, Reading]] = {}
    for group, response in _responses(low, high, wow_limit_hz).items():
        extra: dict[str, Condition] = {}
        if group == "weighted":
            extra["weighting"] = "wow and flutter network, table from memory"
        kinds = DETECTORS if group in ("weighted", "unweighted") else ("two_sigma", "rms")
        needed = slow_seconds if group in ("unweighted", "wow") else _TWO_SIGMA_SECONDS
        asked = _Asked(names[group], response, kinds, oversampling * high, needed)
        groups[group] = _read(asked, split, tone, conditions | extra)
    at, spectrum = split.amplitude_spectrum()
    shown = at <= high
    time = tone.start_seconds + later + np.arange(series.size) / series_rate
    return FlutterResult(
        speed_error=_speed_error(split, tone, conditions),
        drift=_drift(split, tone, low, percent, conditions),
        **groups,
        spectrum=_spectrum(at[shown], spectrum[shown] * percent, conditions),
        deviation=_deviation(time, (series / split.mean - 1.0) * 100.0, conditions),
        lines=_lines(split.lines, percent, high, weighting.flutter_weighting),
    )


def _names(low: float, high: float, wow_limit_hz: float) -> dict[str, str]:
    """What the groups of readings are called."""
    return {
        "weighted": "weighted flutter",
        "unweighted": "unweighted flutter",
        "wow": f"wow, {low:g} to {wow_limit_hz:g} Hz",
        "flutter": f"flutter, {wow_limit_hz:g} to {high:g} Hz",
    }


def _responses(low: float, high: float, wow_limit_hz: float) -> dict[str, Response]:
    """The filter of each group of readings."""

    def upper(frequency: FloatArray) -> FloatArray:
        return weighting.raised_cosine(frequency, high * (1.0 + 1e-5), high * 1.0025)

    def band(frequency: FloatArray) -> FloatArray:
        return upper(frequency) * weighting.raised_cosine(frequency, low * (1.0 - 1e-5), 0.5 * low)

    def wow_part(frequency: FloatArray) -> FloatArray:
        # Square roots of complementary steps: the powers of wow and flutter add up to that of the band.
        return np.sqrt(weighting.raised_cosine(frequency, 0.95 * wow_limit_hz, 1.05 * wow_limit_hz))

    return {
        "weighted": lambda f: upper(f) * weighting.flutter_network(f),
        "unweighted": band,
        "wow": lambda f: band(f) * wow_part(f),
        "flutter": lambda f: band(f) * np.sqrt(np.maximum(1.0 - wow_part(f) ** 2, 0.0)),
    }


def scrape_flutter(
    signal: "npt.ArrayLike",
    sample_rate: float,
    *,
    carrier_hz: float | None = None,
    band_hz: tuple[float, float] = (100.0, 5000.0),
) -> FlutterResult:
    """Scrape flutter, the fast deviation of unsupported tape, from a recorded high tone.

    Parameters
    ----------
    signal : array_like, shape (samples,)
        Recording of a steady tone of 10 to 12.5 kHz, 1 s or longer. Round 3150 Hz there is no room for
        sidebands beyond 1.5 kHz.
    sample_rate : float
        Samples per second.
    carrier_hz : float, optional
        Nominal frequency of the tone; recognised within 3 % of 10 or 12.5 kHz if left out.
    band_hz : (float, float)
        Band of the readings. There is no standard method; 100 Hz to 5 kHz is the band of wideband instruments.

    Returns
    -------
    FlutterResult
        With `unweighted` by ``two_sigma``, ``rms``, ``mean`` and ``peak``; `weighted`, `wow` and `flutter` are
        empty.

    Raises
    ------
    MeasureError
        If an argument has the wrong type or shape, or the band is empty.
    """
    array, rate, low, high = _arguments(signal, sample_rate, carrier_hz, band_hz)
    names = {"unweighted": "scrape flutter"}
    given: dict[str, Condition] = {"band_hz": f"{low:g} to {high:g}", "sample_rate_hz": rate}
    nominal = _SCRAPE_NOMINAL_HZ if carrier_hz is None else (carrier_hz,)
    try:
        tone = demodulate(array, rate, nominal_hz=nominal, given=carrier_hz is not None, highest_rate_hz=high)
        slow, slow_rate, later = decimate(tone.frequency_hz, tone.rate, highest_hz=min(200.0, high))
    except NotMeasurableError as refusal:
        return _nothing(str(refusal), names, given)

    def band(frequency: FloatArray) -> FloatArray:
        below = weighting.raised_cosine(frequency, low * (1.0 - 1e-5), 0.5 * low)
        return below * weighting.raised_cosine(frequency, high * (1.0 + 1e-5), high * 1.0025)

    split = decompose(fast_length(tone.frequency_hz), tone.rate, highest_hz=high, lines=False)
    percent = 100.0 / split.mean
    conditions = _conditions(tone, split.duration_seconds, split.mean, given)
    found = tuple(
        line
        for line in spectral_lines(split.rest, split.rate, highest_hz=1.001 * high)
        if line.rate_hz >= 0.999 * low
    )
    at, spectrum = split.amplitude_spectrum()
    shown = at <= high
    time = tone.start_seconds + later + np.arange(slow.size) / slow_rate
    asked = _Asked(
        names["unweighted"],
        band,
        ("two_sigma", "rms", "mean", "peak"),
        12.0 * high,
        max(1.0, 20.0 / low),
        # Lines are not fitted here, so the filter's ends are cut off instead: it rings for 1 / (its slopes).
        cut_seconds=min(4.0 / low + 400.0 / high, 0.1 * split.duration_seconds),
    )
    return FlutterResult(
        speed_error=_speed_error(split, tone, conditions),
        drift=_drift(split, tone, low, percent, conditions),
        weighted={},
        unweighted=_read(asked, split, tone, conditions, unfitted=found),
        wow={},
        flutter={},
        spectrum=_spectrum(at[shown], spectrum[shown] * percent, conditions),
        deviation=_deviation(time, (slow / split.mean - 1.0) * 100.0, conditions),
        lines=_lines(found, percent, high, None),
    )


def _arguments(
    signal: "npt.ArrayLike", sample_rate: float, carrier_hz: float | None, band_hz: tuple[float, float]
) -> tuple[FloatArray, float, float, float]:
    array, rate = check_signal(signal), check_rate(sample_rate)
    if carrier_hz is not None and not (math.isfinite(carrier_hz) and carrier_hz > 0.0):
        raise MeasureError(f"carrier_hz is {carrier_hz!r}, but must be finite and above zero")
    low, high = (float(end) for end in band_hz)
    if not (low > 0.0 and 2.0 * low <= high and math.isfinite(high)):
        raise MeasureError(f"band_hz is {band_hz!r}, but must go from above 0 Hz up by at least an octave")
    return array, rate, low, high


def _conditions(
    tone: Demodulated, duration: float, mean_hz: float, given: Mapping[str, Condition]
) -> dict[str, Condition]:
    return {
        **given,
        "nominal_hz": tone.nominal_hz,
        "tone_hz": round(mean_hz, 6),
        "level_dbfs": round(20.0 * math.log10(tone.mean_amplitude), 2),
        "duration_seconds": round(duration, 3),
    }


class _Asked(NamedTuple):
    """Readings behind one filter."""

    quantity: str
    response: Response
    kinds: tuple[str, ...]  # detectors
    rate: float  # samples per second that the detectors read
    needed_seconds: float
    cut_seconds: float = 0.0  # what is left out at both ends


def _read(
    asked: _Asked,
    split: Fluctuation,
    tone: Demodulated,
    conditions: Mapping[str, Condition],
    *,
    unfitted: tuple[Line, ...] = (),
) -> dict[str, Reading]:
    """One reading a detector of the deviation behind a filter."""
    quantity, response, percent = asked.quantity, asked.response, 100.0 / split.mean
    if split.duration_seconds < asked.needed_seconds:
        reason = (
            f"{split.duration_seconds:.3g} s can be used, too short for the band asked: "
            f"{asked.needed_seconds:.3g} s are needed (and a little more, for the ends are lost)"
        )
        return {kind: _undefined(quantity, kind, reason, conditions) for kind in asked.kinds}
    series, series_rate, lines = split.filtered(response, rate=asked.rate)
    cut = math.ceil(asked.cut_seconds * series_rate)
    series = percent * series[cut : series.size - cut]
    percent_lines = tuple(Line(line.rate_hz, percent * line.amplitude) for line in lines)
    whole = series[: whole_periods(lines, series.size / series_rate, series_rate)]
    noise = percent * _noise(tone, response)
    doubts = _Doubts(
        split, response, percent, whole, series_rate, percent_lines, noise, tone.second_rate_hz, unfitted
    )
    readings = {}
    for kind in asked.kinds:
        if kind == "two_sigma":
            value = detectors.two_sigma(whole)
        elif kind == "quasi_peak":
            value = float(np.max(detectors.quasi_peak(series, series_rate)))
        elif kind == "rms":
            value = steady_rms(whole, series_rate, percent_lines)
        elif kind == "mean":
            value = detectors.mean_absolute(whole)
        else:
            value = detectors.peak(series)
        bias, scatter = doubts.of(kind, value)
        model = _QUASI_PEAK_MODEL if kind == "quasi_peak" else 0.0
        relative = math.hypot(tone.bridged, tone.echo, tone.folded, _READING_LIMIT, model)
        others = math.hypot(scatter, value * relative)
        warnings = tone.warnings
        floor = noise * _GAUSSIAN_READING[kind]
        if floor > 0.5 * value > 0.0:
            warnings = (*warnings, f"mostly noise of the recording, which alone reads {floor:.2g} %")
        elif bias > max(0.5 * others, 1e-3 * value):
            cause = "the noise of the recording" if math.isnan(tone.second_rate_hz) else "the second component"
            warnings = (*warnings, f"{cause} moves it by about {bias:.1g} %")
        readings[kind] = Reading(
            quantity=quantity,
            value=value,
            unit="%",
            method=_METHODS[kind],
            standard=_standard(kind, quantity),
            conditions={**conditions, "noise_percent": noise},
            uncertainty=math.hypot(bias, others),
            uncertainty_basis=_MODEL_BASIS if model else _BASIS,
            warnings=warnings,
        )
    return readings


class _Doubts:
    """What noise adds to a reading behind one filter, and how it scatters over recordings of the same duration."""

    def __init__(
        self,
        split: Fluctuation,
        response: Response,
        percent: float,
        whole: FloatArray,
        rate: float,
        lines: tuple[Line, ...],
        noise: float,
        second_rate_hz: float,
        unfitted: tuple[Line, ...],
    ) -> None:
        seconds = whole.size / rate
        steady = oscillations(lines, rate, whole.size)
        sigma = math.sqrt(float(np.mean(np.square(whole - steady))))
        self.random, self.clean = sigma, math.sqrt(max(sigma**2 - noise**2, 0.0))
        self.noisy = Mixture(steady=steady, rate=rate, sigma=self.random)
        # What a second tone makes is no deviation of the speed.
        genuine = tuple(line for line in lines if not abs(line.rate_hz - second_rate_hz) * seconds < 2.0)
        own = steady if len(genuine) == len(lines) else oscillations(genuine, rate, whole.size)
        self.without = Mixture(steady=own, rate=rate, sigma=self.clean)
        self.doubt_of_sigma = split.scatter(response, unfitted, seconds, fitted=not unfitted)
        at, density = split.density_at_lines()
        self.density = at, percent**2 * density * np.square(np.abs(response(at)))
        self.unfitted = bool(unfitted)
        strongest = max((abs(line.amplitude) for line in lines), default=0.0)
        strong = tuple(line for line in lines if abs(line.amplitude) > 0.01 * strongest)
        self.stretches = np.abs(beats(strong, seconds)) if len(strong) > 1 else None

    def of(self, kind: str, value: float) -> tuple[float, float]:
        """Bias by noise, and standard uncertainty of the random part and of lines that beat."""
        if kind in _GAUSSIAN_PEAK:
            # Extremes of N independent samples scatter by 1.28 / (2 ln N), and with their standard deviation.
            size = _GAUSSIAN_PEAK[kind]
            independent = max(0.5 / self.doubt_of_sigma**2, 3.0) if self.doubt_of_sigma > 0.0 else math.inf
            extreme = math.hypot(self.doubt_of_sigma, 1.28 / (2.0 * math.log(independent)))
            foreign = abs(self.noisy.reading("two_sigma") - self.without.reading("two_sigma"))
            bias = max(size * (self.random - self.clean), foreign)
            return bias, min(size * self.random, value) * extreme
        steady: Kind = kind  # type: ignore[assignment]
        bias = abs(self.noisy.reading(steady) - self.without.reading(steady))
        if self.unfitted:
            return bias, value * self.doubt_of_sigma
        scatter = self.noisy.scatter(steady, density=self.density, doubt_of_sigma=self.doubt_of_sigma)
        if self.stretches is None or kind == "rms":
            return bias, scatter
        if kind == "mean":
            over = np.mean(self.stretches, axis=1)
        else:
            over = np.quantile(self.stretches, 1.0 - detectors.TWO_SIGMA_FRACTION, axis=1)
        return bias, math.hypot(scatter, float(np.std(over)))


def _standard(kind: str, quantity: str) -> str:
    if quantity != "scrape flutter":
        if kind == "two_sigma":
            return "AES6-2008"
        if kind == "quasi_peak":
            return "IEC 60386"
    return "none"


def _noise(tone: Demodulated, response: Response) -> float:
    """RMS of the deviation, in Hz, that the noise of the recording causes behind a filter.

    Noise of one-sided density S beside a tone of amplitude A is phase noise of one-sided density 2 S / A^2;
    differentiation multiplies it by the square of the rate. Over a flat band up to B this is
    ``sqrt(2 S B^3 / 3) / A``.
    """
    at = np.linspace(0.0, tone.flat_hz, 8001)[1:]
    gain = np.square(np.abs(response(at)))
    integral = float(np.sum(np.square(at) * gain)) * float(at[1] - at[0])
    return math.sqrt(2.0 * tone.noise_density * integral) / tone.mean_amplitude


def _speed_error(split: Fluctuation, tone: Demodulated, conditions: Mapping[str, Condition]) -> Reading:
    value = 100.0 * (split.mean / tone.nominal_hz - 1.0)
    # The mean over T of noise has the variance P(0) / (2 T).
    scatter = math.sqrt(split.slow_density() / (2.0 * split.duration_seconds))
    return Reading(
        quantity="speed error",
        value=value,
        unit="%",
        method="mean frequency of the tone",
        conditions=conditions,
        uncertainty=100.0 * scatter / tone.nominal_hz,
        uncertainty_basis="theory: random part over the duration; without the error of the sampling clock",
        warnings=tone.warnings,
    )


def _drift(
    split: Fluctuation, tone: Demodulated, low: float, percent: float, conditions: Mapping[str, Condition]
) -> Reading:
    def slower(frequency: FloatArray) -> FloatArray:
        return 1.0 - weighting.raised_cosine(frequency, low, 0.5 * low)

    wander, wander_rate, slow_lines = split.filtered(slower, rate=split.rate)
    steady = oscillations(slow_lines, wander_rate, wander.size)
    points = np.arange(float(split.curve.size))
    place = np.linspace(0.0, split.curve.size - 1.0, wander.size)
    bent = np.interp(place, points, split.curve)
    series = wander + (bent + split.slope * (place - 0.5 * (split.curve.size - 1)) / split.rate)
    drifting = split.curve + split.slope * (points - 0.5 * (split.curve.size - 1)) / split.rate
    rates = [line.rate_hz for line in split.lines]
    value, doubt = (
        percent * each
        for each in slow_extremes(split.rest + drifting, split.rate, series, steady, low, line_hz=rates)
    )
    return Reading(
        quantity="drift",
        value=value,
        unit="%",
        method=f"half the peak-to-peak of the deviation slower than {low:g} Hz, mean over all that agree",
        conditions={**conditions, "slope_percent_per_minute": 60.0 * percent * split.slope},
        uncertainty=math.hypot(doubt, _DRIFT_ENDS * value),
        uncertainty_basis="theory: deviations that agree with the recording; ends that demodulation loses",
        warnings=tone.warnings,
    )


def _lines(
    lines: tuple[Line, ...], percent: float, high: float, weight: Callable[[float], FloatArray] | None
) -> tuple[FlutterLine, ...]:
    kept = [line for line in lines if line.rate_hz <= high * (1.0 + 1e-5)]
    strongest = max((abs(line.amplitude) for line in kept), default=0.0)
    return tuple(
        FlutterLine(
            rate_hz=line.rate_hz,
            peak_percent=percent * abs(line.amplitude),
            weighted_percent=(
                percent * abs(line.amplitude) * float(weight(line.rate_hz)) if weight is not None else math.nan
            ),
            level_db=20.0 * math.log10(abs(line.amplitude) / strongest),
        )
        for line in sorted(kept, key=lambda line: -abs(line.amplitude))
    )


def _undefined(quantity: str, kind: str, reason: str, conditions: Mapping[str, Condition]) -> Reading:
    return undefined(quantity, "%", reason, conditions, method=_METHODS[kind], standard=_standard(kind, quantity))


def _nothing(reason: str, names: Mapping[str, str], conditions: Mapping[str, Condition]) -> FlutterResult:
    def group(name: str) -> dict[str, Reading]:
        if name not in names:
            return {}
        if "weighted" not in names:
            kinds: tuple[str, ...] = ("two_sigma", "rms", "mean", "peak")
        else:
            kinds = DETECTORS if name in ("weighted", "unweighted") else ("two_sigma", "rms")
        return {kind: _undefined(names[name], kind, reason, conditions) for kind in kinds}

    empty = np.empty(0)
    return FlutterResult(
        speed_error=undefined("speed error", "%", reason, conditions),
        drift=undefined("drift", "%", reason, conditions),
        weighted=group("weighted"),
        unweighted=group("unweighted"),
        wow=group("wow"),
        flutter=group("flutter"),
        spectrum=_spectrum(empty, empty, conditions, reason),
        deviation=_deviation(empty, empty, conditions, reason),
        lines=(),
    )


def _spectrum(
    rate_hz: FloatArray, peak_percent: FloatArray, conditions: Mapping[str, Condition], *warnings: str
) -> Curve:
    return Curve(
        quantity="spectrum of the speed deviation",
        x=rate_hz,
        y=peak_percent,
        x_name="rate",
        x_unit="Hz",
        y_unit="% peak",
        method="amplitude spectrum of the deviation",
        conditions=conditions,
        warnings=warnings,
    )


def _deviation(
    time: FloatArray, percent: FloatArray, conditions: Mapping[str, Condition], *warnings: str
) -> Curve:
    return Curve(
        quantity="speed deviation",
        x=time,
        y=percent,
        x_name="time",
        x_unit="s",
        y_unit="%",
        method="frequency of the tone re its mean",
        conditions=conditions,
        warnings=warnings,
    )
