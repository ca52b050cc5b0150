"""Response of a system: magnitude, phase, group delay, latency and polarity, by one sweep."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from measure.parts.run import drive
from measure.parts.signals import SynchronisedSweep, synchronised_sweep
from measure.quantities.edges import LOWER_EDGE, UPPER_EDGE, band_edges
from measure.results import Conditions, Curve, Reading, Result
from measure.validation import FloatArray, as_system, unusable

__all__ = ["Response", "frequency_response", "response_from_sweep"]

ComplexArray = npt.NDArray[np.complex128]

_POINTS_PER_OCTAVE = 24
_SHARP = 0.25  # share of the energy within 1 ms of the peak
_DB_A_RATIO = 20.0 / math.log(10.0)
_COHERENT = 0.6  # peak over what it would be if all frequencies arrived together
_SPREAD_SECONDS = 1e-3
_EXACT_SAMPLES = 1e-5  # how near a delay in a signal without noise is read
_METHOD = "synchronised sweep, spectral division"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Response(Result):
    """What one sweep tells about the linear part of a system.

    Attributes
    ----------
    latency_seconds, latency_samples : Reading
        Time at which the envelope of the impulse response peaks, to a fraction of a sample; of a response that is
        spread in time, the moment at which it first comes within 20 dB of its peak.
    polarity : Reading
        1 or -1; ``nan`` where the response is turned by about a quarter period, or is too dispersed to say.
    gain : Reading
        Magnitude at the reference frequency, in dB.
    low_edge, high_edge : Reading
        Where the magnitude falls 3 dB below that at the reference frequency.
    magnitude : Curve
        dB against Hz, 24 points an octave.
    phase : Curve
        Degrees against Hz, unwrapped, after the latency has been taken out.
    group_delay : Curve
        Seconds against Hz, latency included.
    arrival_seconds : float
        Latency as far as it can be told, also where it is too unsteady to be a reading; ``nan`` without response.
    impulse_response : ndarray, shape (samples,)
        Response of the swept band, harmonics gated out; `origin` is the sample of time zero.
    origin : int
        Index of time zero in `impulse_response`.
    """

    latency_seconds: Reading
    latency_samples: Reading
    polarity: Reading
    gain: Reading
    low_edge: Reading
    high_edge: Reading
    magnitude: Curve
    phase: Curve
    group_delay: Curve
    arrival_seconds: float
    impulse_response: FloatArray
    origin: int


def frequency_response(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
    seconds: float = 3.0,
    tail_seconds: float = 1.0,
    level_dbfs: float = -18.0,
    reference_hz: float = 1_000.0,
) -> Response:
    """Measure the response of a system.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``.
    sample_rate : float
        Samples per second.
    low_hz, high_hz : float
        Band to measure; the upper end is lowered to 0.45 of the rate where it lies above that.
    seconds, tail_seconds : float
        Duration of the sweep, and of the silence that catches what rings on.
    level_dbfs : float
        Level of the sweep.
    reference_hz : float
        Where the gain is read.
    """
    sweep = synchronised_sweep(
        sample_rate,
        low_hz=low_hz,
        high_hz=high_hz,
        seconds=seconds,
        tail_seconds=tail_seconds,
        level_dbfs=level_dbfs,
    )
    recording = drive(as_system(system), sweep.signal, sweep.sample_rate)
    return response_from_sweep(recording, sweep, reference_hz=reference_hz)


def response_from_sweep(
    recording: FloatArray, sweep: SynchronisedSweep, *, reference_hz: float = 1_000.0
) -> Response:
    """Read the response from a recorded sweep.

    Parameters
    ----------
    recording : ndarray, shape (samples,)
        What came back, aligned with the sweep, as long as it.
    sweep : SynchronisedSweep
        What was sent.
    reference_hz : float
        Where the gain is read.
    """
    y = sweep.check_recording(recording)
    sweep.check_reference(reference_hz, read_from_hz=sweep.low_hz)
    rate = sweep.sample_rate
    conditions = _conditions(sweep)
    reason = unusable(y)
    if reason:
        return _undefined(reason, conditions)
    impulse, origin, noise = _impulse_response(y, sweep)
    f, shifted, group_delay = _transform(impulse, origin, sweep)
    magnitude = np.abs(shifted)
    with np.errstate(divide="ignore"):
        magnitude_db = 20.0 * np.log10(magnitude)
    latency, turn, coherence = _arrival(impulse, origin, rate)
    anchor = int(np.argmin(np.abs(f - reference_hz)))
    phase_deg = _phase_deg(f, shifted, latency, anchor)
    bin_noises, sample_noise = _noise(noise, len(impulse), np.append(f, reference_hz), rate)
    at = float(np.interp(reference_hz, f, magnitude))
    gain_db = float(np.interp(reference_hz, f, magnitude_db))
    peak = max(float(np.max(np.abs(impulse))), 1e-300)
    # Cramer-Rao bound for the delay of a flat band: 1 / (2 pi B_rms sqrt(2 E / N0)).
    bound = sample_noise / peak * math.sqrt(3.0) / (math.pi * (sweep.high_hz - sweep.low_hz))
    if coherence == 0.0:
        delay = _spread_latency(latency, bound)
    else:
        delay = _latency(latency, bound, coherence, rate, _octave_arrivals(impulse, origin, rate, sweep, bound))
    sign, doubtful = _polarity(turn, coherence)
    with np.errstate(divide="ignore", invalid="ignore"):
        doubt_db = _DB_A_RATIO * bin_noises[:-1] / magnitude
    low_edge, high_edge = band_edges(
        f,
        magnitude_db,
        reference_hz=reference_hz,
        method=_METHOD,
        conditions=conditions,
        uncertainty_db=None if math.isnan(sample_noise) else doubt_db,
        noise_of="noise after the response",
    )
    reading = partial(_reading, conditions)
    gain = reading(
        f"gain at {reference_hz:g} Hz", gain_db, "dB", _DB_A_RATIO * float(bin_noises[-1]) / max(at, 1e-300)
    )
    return Response(
        latency_seconds=reading("latency", delay.seconds, "s", delay.doubt, *delay.notes),
        latency_samples=reading("latency", delay.seconds * rate, "samples", delay.doubt * rate, *delay.notes),
        polarity=reading("polarity", sign, "", math.nan, *doubtful),
        gain=replace(gain, uncertainty_basis="theory (noise after the response)"),
        low_edge=low_edge,
        high_edge=high_edge,
        magnitude=_curve("magnitude", f, magnitude_db, "dB", conditions),
        phase=_curve("phase without latency", f, phase_deg, "degrees", conditions),
        group_delay=_curve("group delay", f, group_delay, "s", conditions),
        arrival_seconds=delay.arrival,
        impulse_response=impulse,
        origin=origin,
    )


def _conditions(sweep: SynchronisedSweep) -> Conditions:
    return {
        "level_dbfs": sweep.level_dbfs,
        "low_hz": sweep.low_hz,
        "high_hz": sweep.high_hz,
        "sweep_seconds": round(sweep.sweep_seconds, 6),
        "tail_seconds": round(sweep.tail_seconds, 6),
        "sample_rate_hz": sweep.sample_rate,
    }


def _reading(
    conditions: Conditions, quantity: str, value: float, unit: str, sigma: float, *warnings: str
) -> Reading:
    return Reading(
        quantity=quantity,
        value=value,
        unit=unit,
        method=_METHOD,
        conditions=conditions,
        uncertainty=sigma,
        uncertainty_basis="theory (noise after the response, octaves that arrive apart)"
        if math.isfinite(sigma)
        else "not stated",
        warnings=warnings,
    )


def _phase_deg(f: FloatArray, response: ComplexArray, latency: float, anchor: int) -> FloatArray:
    """Phase without a delay, unwrapped, within half a turn of nothing where the gain is read."""
    turned = response * np.exp(2j * np.pi * f * latency)
    phase = np.degrees(np.unwrap(np.angle(turned)))
    return np.asarray(phase - 360.0 * np.rint(phase[anchor] / 360.0), dtype=np.float64)


def _curve(
    quantity: str, f: FloatArray, y: FloatArray, unit: str, conditions: Conditions, *warnings: str
) -> Curve:
    return Curve(
        quantity=quantity,
        x=f,
        y=y,
        x_name="frequency",
        x_unit="Hz",
        y_unit=unit,
        method=_METHOD,
        conditions=conditions,
        warnings=warnings,
    )


def _transform(
    impulse: FloatArray, origin: int, sweep: SynchronisedSweep
) -> tuple[FloatArray, ComplexArray, FloatArray]:
    """Frequencies of the curves, spectrum about time zero and group delay there."""
    rate = sweep.sample_rate
    size = 1 << (len(impulse) - 1).bit_length()
    frequencies = np.fft.rfftfreq(size, 1.0 / rate)
    count = int(_POINTS_PER_OCTAVE * math.log2(sweep.high_hz / sweep.low_hz)) + 1
    wanted = np.geomspace(sweep.low_hz, sweep.high_hz, count)
    places = np.unique(np.rint(wanted * size / rate).astype(int))
    places = places[(places > 0) & (places < len(frequencies) - 1)]
    f = frequencies[places]
    moment = (np.arange(len(impulse)) - origin) / rate
    shifted = np.fft.rfft(impulse, size)[places] * np.exp(2j * np.pi * f * origin / rate)
    # Derivative of the phase without unwrapping: the transform of t h(t) over that of h(t).
    delayed = np.fft.rfft(impulse * moment, size)[places] * np.exp(2j * np.pi * f * origin / rate)
    magnitude = np.abs(shifted)
    audible = magnitude > 1e-4 * magnitude.max()
    group_delay = np.where(audible, np.real(delayed / np.where(audible, shifted, 1.0)), np.nan)
    return f, shifted, group_delay


class _Delay(NamedTuple):
    """Latency, its standard uncertainty, when the sound arrives in any case, and what is to be said of it."""

    seconds: float
    doubt: float
    arrival: float
    notes: tuple[str, ...]


def _spread_latency(latency: float, bound: float) -> _Delay:
    """Latency of a response that is spread in time."""
    if latency < -2.0 * _SPREAD_SECONDS:
        note = (
            f"the response begins {-1000.0 * latency:.3g} ms before the sound that causes it: the system's "
            "delay moves as a tape's does, by more than a sweep can follow; it has no one latency"
        )
        return _Delay(math.nan, math.nan, 0.0, (note,))
    note = "the response is spread in time; the latency is that of its first part within 20 dB of its peak"
    # Its peak may be a crest of the first reflection: what rises to within 20 dB of it is not one sample.
    return _Delay(latency, max(bound, 0.5 * _SPREAD_SECONDS), latency, (note,))


def _latency(
    latency: float, bound: float, coherence: float, rate: float, octaves: tuple[float, float, float]
) -> _Delay:
    """Latency of a response that has one peak, if its octaves arrive together."""
    first, last, unsure = octaves
    if coherence < _COHERENT:
        note = (
            f"the frequencies do not arrive together but over {rate * first:.0f} to {rate * last:.0f} samples"
            ": the system disperses, or its delay moves as a tape's does; it has no one latency"
        )
        return _Delay(math.nan, math.nan, latency, (note,))
    doubt = math.hypot(bound, max(0.5 * (last - first) - unsure, 0.0), _EXACT_SAMPLES / rate)
    return _Delay(latency, doubt, latency, ())


def _impulse_response(recording: FloatArray, sweep: SynchronisedSweep) -> tuple[FloatArray, int, FloatArray]:
    """Gated impulse response, the index of time zero in it, and a piece that holds nothing but noise."""
    rate = sweep.sample_rate
    n = len(recording)
    size = 1 << (2 * n - 1).bit_length()
    frequencies = np.fft.rfftfreq(size, 1.0 / rate)
    sent = np.fft.rfft(sweep.signal, size)
    # Outside the swept band the quotient would be noise over nothing.
    low = np.clip(
        np.log(np.maximum(frequencies, 1e-9) / sweep.start_hz) / math.log(sweep.low_hz / sweep.start_hz), 0, 1
    )
    high = np.clip((sweep.stop_hz - frequencies) / (sweep.stop_hz - sweep.high_hz), 0, 1)
    band = (0.5 - 0.5 * np.cos(np.pi * low)) * (0.5 - 0.5 * np.cos(np.pi * high))
    inside = band > 0.0
    quotient = np.zeros(len(sent), dtype=np.complex128)
    quotient[inside] = band[inside] * np.fft.rfft(recording, size)[inside] / sent[inside]
    response = np.fft.irfft(quotient, size)
    # The second harmonic's response precedes the linear one by L ln 2; the gate opens half-way between them.
    before = int(0.75 * sweep.rate_seconds * math.log(2.0) * rate)
    after = n - int(sweep.sweep_seconds * rate) + int(0.25 * sweep.sweep_seconds * rate)
    fade = max(2, 2 * before // 3)
    gated = np.concatenate([response[-before:], response[:after]])
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    gated[:fade] *= ramp
    gated[-fade:] *= ramp[::-1]
    # By the end of the tail all of the response is over but the noise, of all frequencies, is still there.
    tail = n - int(sweep.sweep_seconds * rate)
    return gated, before, response[int(0.7 * tail) : tail]


def _noise(piece: FloatArray, length: int, at_hz: FloatArray, rate: float) -> tuple[FloatArray, float]:
    """Standard deviation, per quadrature, of bins near given frequencies, and that of a sample."""
    if len(piece) < 512:
        return np.full(at_hz.size, math.nan), math.nan
    power = np.abs(np.fft.rfft(piece)) ** 2 / len(piece)
    f = np.fft.rfftfreq(len(piece), 1.0 / rate)
    sums = np.concatenate([[0.0], np.cumsum(power)])
    # Two thirds of an octave; the nearest bin where that holds none.
    first = np.minimum(np.searchsorted(f, 0.8 * at_hz, side="right"), f.size - 1)
    last = np.clip(np.searchsorted(f, 1.25 * at_hz), first + 1, f.size)
    density = (sums[last] - sums[first]) / (last - first)
    return np.sqrt(0.5 * density * length), float(np.sqrt(np.mean(piece**2)))


def _arrival(impulse: FloatArray, origin: int, rate: float) -> tuple[float, float, float]:
    """Time of the envelope's peak, phase angle there, and how well the frequencies arrive together (0 to 1).

    Of a response that is spread in time: its beginning, no angle, and 0.
    """
    size = 1 << (len(impulse) - 1).bit_length()
    spectrum = np.fft.rfft(impulse, size)
    spectrum[0] *= 0.5
    omega = 2.0 * np.pi * np.arange(len(spectrum)) / size
    one_sided = np.zeros(size, dtype=np.complex128)
    one_sided[: len(spectrum)] = 2.0 * spectrum
    top = int(np.argmax(np.abs(np.fft.ifft(one_sided))[: len(impulse)]))
    near = slice(max(0, top - int(1e-3 * rate)), top + int(1e-3 * rate) + 1)
    energy = float(np.sum(impulse**2))
    sharpness = float(np.sum(impulse[near] ** 2)) / energy if energy > 0.0 else 0.0
    if sharpness <= _SHARP:
        early = int(np.argmax(np.abs(impulse) >= 0.1 * np.max(np.abs(impulse))))
        return (early - origin) / rate, math.nan, 0.0
    place, value = _crest(spectrum, omega, top)
    coherence = abs(value) / float(np.sum(np.abs(spectrum)))
    return (place - origin) / rate, math.atan2(value.imag, value.real), coherence


def _crest(spectrum: ComplexArray, omega: FloatArray, top: int) -> tuple[float, complex]:
    """Place of the envelope's peak near a sample, and the analytic signal there.

    Newton's method on the squared envelope, summed from its spectrum: exact between the samples.
    """
    place = float(top)
    value = 0j
    for _ in range(8):
        terms = spectrum * np.exp(1j * omega * place)
        value = complex(np.sum(terms))
        first = complex(np.sum(1j * omega * terms))
        second = complex(np.sum(-(omega**2) * terms))
        slope = (value.conjugate() * first).real
        bend = abs(first) ** 2 + (value.conjugate() * second).real
        if bend >= 0.0:
            break
        step = min(max(-slope / bend, -0.5), 0.5)
        place = min(max(place + step, top - 1.0), top + 1.0)
        if abs(step) < 1e-9:
            break
    return place, value


def _octave_arrivals(
    impulse: FloatArray, origin: int, rate: float, sweep: SynchronisedSweep, doubt: float
) -> tuple[float, float, float]:
    """Earliest and latest arrival of the octaves that hold the energy, and what noise alone puts between them."""
    size = 1 << (len(impulse) - 1).bit_length()
    spectrum = np.fft.rfft(impulse, size)
    frequency = np.arange(len(spectrum)) * (rate / size)
    omega = 2.0 * np.pi * np.arange(len(spectrum)) / size
    arrivals: list[tuple[float, float, float]] = []
    centre = sweep.high_hz / math.sqrt(2.0)
    while centre > max(2.0 * sweep.low_hz, 400.0):
        inside = (frequency > 0.5 * centre) & (frequency < 2.0 * centre)
        bell = 0.5 + 0.5 * np.cos(np.pi * np.log2(frequency[inside] / centre))
        one_sided = np.zeros(size, dtype=np.complex128)
        one_sided[: len(spectrum)][inside] = bell * spectrum[inside]
        envelope = np.abs(np.fft.ifft(one_sided))[: len(impulse)]
        top = int(np.argmax(envelope))
        place, _ = _crest(one_sided[: len(spectrum)][inside], omega[inside], top)
        strength = float(np.sum(np.abs(one_sided) ** 2)) / centre
        width = 0.75 * centre
        unsure = 5.0 * doubt * ((sweep.high_hz - sweep.low_hz) / width) ** 1.5
        arrivals.append((strength, (place - origin) / rate, unsure))
        centre /= 2.0
    if not arrivals:
        return math.nan, math.nan, 0.0
    strongest = max(strength for strength, _, _ in arrivals)
    heard = [each for each in arrivals if each[0] > 0.1 * strongest]
    times = [time for _, time, _ in heard]
    return min(times), max(times), max(unsure for _, _, unsure in heard)


def _polarity(turn: float, coherence: float) -> tuple[float, tuple[str, ...]]:
    along = math.cos(turn)
    if coherence < _COHERENT:
        return math.nan, ("the frequencies arrive too far apart for the response to have a polarity",)
    if abs(along) < 0.5:
        return math.nan, (f"the response is turned by {math.degrees(turn):.0f} degrees: it has no polarity",)
    return math.copysign(1.0, along), ()


def _undefined(reason: str, conditions: Conditions) -> Response:
    def reading(quantity: str, unit: str) -> Reading:
        return Reading(
            quantity=quantity, value=math.nan, unit=unit, method=_METHOD, conditions=conditions, warnings=(reason,)
        )

    def curve(quantity: str, unit: str) -> Curve:
        return _curve(quantity, np.empty(0), np.empty(0), unit, conditions, reason)

    return Response(
        latency_seconds=reading("latency", "s"),
        latency_samples=reading("latency", "samples"),
        polarity=reading("polarity", ""),
        gain=reading("gain", "dB"),
        low_edge=reading(LOWER_EDGE, "Hz"),
        high_edge=reading(UPPER_EDGE, "Hz"),
        magnitude=curve("magnitude", "dB"),
        phase=curve("phase without latency", "degrees"),
        group_delay=curve("group delay", "s"),
        arrival_seconds=math.nan,
        impulse_response=np.empty(0),
        origin=0,
    )
