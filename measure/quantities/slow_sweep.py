"""Response by a slow sweep, and the rise in the bass: a moving delay spoils neither.

Deconvolution takes all that a system does to a sweep for its response, and a tape whose speed flutters then has a
ripple of some tenths of a decibel that is none. Here the sweep is followed by a narrow band, as a chart recorder
behind a tracking filter does it, and the power in the band is read. Flutter moves power to sidebands beside the
tone, but neither makes nor takes any, so the power counts it all.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from measure.errors import MeasureError
from measure.parts.clipping import clipped
from measure.parts.line_power import LinePower, line_power
from measure.parts.run import drive
from measure.parts.signals import SynchronisedSweep, synchronised_sweep
from measure.parts.tone_sequences import Placed
from measure.quantities.edges import LOWER_EDGE, UPPER_EDGE, band_edges
from measure.quantities.response import response_from_sweep
from measure.results import Conditions, Curve, Reading, Result, undefined
from measure.validation import FloatArray, as_system, check_rate, check_signal, unusable

__all__ = ["SlowResponse", "response_from_slow_sweep", "slow_response", "slow_response_of_recording"]

_POINTS_PER_OCTAVE = 24
_WINDOW_OCTAVES = 1.0 / 6.0  # of a Hann window, so about half of it counts
_WINDOW_POINTS = 4  # that lie in such a window
_LEAST_PERIODS = 16.0
_BELOW = 1.3  # ratio by which the sweep begins below the first point, whose window is longer than others
_LEAST_SECONDS_PER_OCTAVE = 0.5
_BASS_HZ = (20.0, 300.0)
_LEAST_BUMP_DB = 0.1
_LEAST_FALL_DB = 0.05
_MEAN_OFF_DB = 5e-4  # by trials with filters: windows at the ends of the third octave reach beyond it
_OFF_OCTAVES = 0.004  # that a parabola through five points misses the crest of a lopsided rise
_METHOD = "slow sweep, power in a band that follows it"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class SlowResponse(Result):
    """Response of a system, whether its delay moves or not.

    Attributes
    ----------
    magnitude : Curve
        dB re the gain at the reference frequency, against Hz, 24 points an octave.
    gain : Reading
        Gain in the third octave round the reference frequency, in dB.
    bump_frequency, bump_height : Reading
        Highest point of the rise in the bass in Hz, and in dB re that gain.
    low_edge, high_edge : Reading
        Where the response falls 3 dB below that at the reference frequency, in Hz.
    """

    magnitude: Curve
    gain: Reading
    bump_frequency: Reading
    bump_height: Reading
    low_edge: Reading
    high_edge: Reading

    def at(self, frequency_hz: float) -> Reading:
        """The response at one frequency, interpolated over log frequency; ``nan`` outside the sweep."""
        curve = self.magnitude
        name = f"response at {frequency_hz:g} Hz"
        if not curve.x.size:
            return undefined(name, "dB", curve.warnings[0], curve.conditions, method=curve.method)
        if not curve.x[0] <= frequency_hz <= curve.x[-1]:
            reason = f"the sweep was read from {curve.x[0]:.0f} to {curve.x[-1]:.0f} Hz"
            return undefined(name, "dB", reason, curve.conditions, method=curve.method)
        place, along = math.log(frequency_hz), np.log(curve.x)
        value = float(np.interp(place, along, curve.y))
        if not math.isfinite(value):
            reason = next(iter(curve.warnings), "it lies in the noise there")
            return undefined(name, "dB", reason, curve.conditions, method=curve.method)
        doubts = np.zeros(curve.x.size) if curve.uncertainty is None else curve.uncertainty
        return Reading(
            quantity=name,
            value=value,
            unit="dB",
            method=curve.method,
            conditions=curve.conditions,
            uncertainty=math.hypot(float(np.interp(place, along, doubts)), 0.01),
            uncertainty_basis="theory (noise beside the band, mean over a twelfth of an octave)",
        )


def slow_response(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
    seconds: float = 30.0,
    tail_seconds: float = 1.0,
    level_dbfs: float = -18.0,
    reference_hz: float = 1_000.0,
    latency_seconds: float | None = None,
) -> SlowResponse:
    """Measure the response of a system whose delay may move.

    Parameters
    ----------
    system, sample_rate, low_hz, high_hz, level_dbfs, reference_hz
        As for :func:`measure.frequency_response`, but read to 0.42 of the rate at most.
    seconds, tail_seconds : float
        Duration of the sweep, half a second an octave or more, and of the silence behind it.
    latency_seconds : float, optional
        How late sound leaves the system; found from the sweep if left out.

    Returns
    -------
    SlowResponse
        ``nan`` with the reason where nothing comes back.

    Raises
    ------
    MeasureError
        If an argument breaks a rule, or the system returns another number of channels or samples.

    Notes
    -----
    That heads are to be read by a slow sweep and not by spot tones: Journal of the AES 26(4), 1978, 202. What is
    read here is the mean power over about a twelfth of an octave. The rest is our own protocol.
    """
    sweep = synchronised_sweep(
        sample_rate,
        low_hz=low_hz / _BELOW,
        high_hz=high_hz * 2.0 ** (0.5 * _WINDOW_OCTAVES),
        seconds=seconds,
        tail_seconds=tail_seconds,
        level_dbfs=level_dbfs,
    )
    recording = drive(as_system(system), sweep.signal, sweep.sample_rate)
    return response_from_slow_sweep(recording, sweep, reference_hz=reference_hz, latency_seconds=latency_seconds)


def response_from_slow_sweep(
    recording: FloatArray,
    sweep: SynchronisedSweep,
    *,
    reference_hz: float = 1_000.0,
    latency_seconds: float | None = None,
) -> SlowResponse:
    """Read the response from a recorded slow sweep; see :func:`slow_response`.

    Parameters
    ----------
    recording : ndarray, shape (samples,)
        What came back, aligned with the sweep, as long as it.
    sweep : SynchronisedSweep
        What was sent, of half a second an octave or more. What is read begins 1.3 times above its lower end and
        ends a twelfth of an octave below the upper one.
    reference_hz : float
        Where the response counts as 0 dB.
    latency_seconds : float, optional
        How late sound leaves the system; found from the sweep if left out.
    """
    y = sweep.check_recording(recording)
    sweep.check_reference(reference_hz, read_from_hz=_BELOW * sweep.low_hz)
    _check_duration(sweep)
    conditions: Conditions = {
        "level_dbfs": sweep.level_dbfs,
        "sweep_seconds": round(sweep.sweep_seconds, 6),
        "window_octaves": round(_WINDOW_OCTAVES, 6),
        "sample_rate_hz": sweep.sample_rate,
    }
    if reason := unusable(y):
        return _undefined(reason, reference_hz, conditions)
    late = latency_seconds
    if late is None:
        late = response_from_sweep(y, sweep, reference_hz=reference_hz).arrival_seconds
        late = late if math.isfinite(late) else 0.0
    f = _points(sweep)
    lines = [_followed(y, sweep, float(hz), Placed(late, 1.0)) for hz in f]
    return _from_powers(f, lines, sweep, reference_hz, conditions)


def slow_response_of_recording(
    recording: FloatArray,
    sample_rate: float,
    sweep: SynchronisedSweep,
    placed: Placed,
    *,
    reference_hz: float = 1_000.0,
) -> SlowResponse:
    """Read the response from a recording in which a slow sweep was found; see :func:`slow_response`.

    Parameters
    ----------
    recording : ndarray, shape (samples,)
        What came back.
    sample_rate : float
        Samples per second of the recording.
    sweep : SynchronisedSweep
        What was sent, at whatever rate.
    placed : Placed
        Where it lies, as :func:`measure.parts.sweep_place.place_sweep` finds it.
    reference_hz : float
        Where the response counts as 0 dB.

    Returns
    -------
    SlowResponse
        Against the frequencies that were sent, whatever the speed of the tape. ``nan`` where the recording does
        not hold the sweep, and of all figures where it is clipped.
    """
    y, rate = check_signal(recording), check_rate(sample_rate)
    sweep.check_reference(reference_hz, read_from_hz=_BELOW * sweep.low_hz)
    _check_duration(sweep)
    conditions: Conditions = {
        "sweep_seconds": round(sweep.sweep_seconds, 6),
        "sweep_begins_seconds": round(placed.begins_seconds, 3),
        "speed": round(placed.speed_ratio, 5),
        "window_octaves": round(_WINDOW_OCTAVES, 6),
        "sample_rate_hz": rate,
    }
    first, stop = placed.window(0.0, sweep.sweep_seconds, rate)
    if reason := unusable(y) or clipped(y[max(first, 0) : max(stop, 0)]):
        return _undefined(reason, reference_hz, conditions)
    f = _points(sweep)
    f = f[f * placed.speed_ratio * 2.0 ** (0.5 * _WINDOW_OCTAVES) <= 0.45 * rate]
    here = replace(sweep, sample_rate=rate)
    lines = [_followed(y, here, float(hz), placed) for hz in f]
    return _from_powers(f, lines, here, reference_hz, conditions)


def _from_powers(
    f: FloatArray,
    lines: Sequence[LinePower],
    sweep: SynchronisedSweep,
    reference_hz: float,
    conditions: Conditions,
) -> SlowResponse:
    """The response from the power of the sweep at each frequency; nan where it was not recorded."""
    power, scatter, bound = np.array(lines).T
    doubt = np.hypot(scatter, bound)
    near = np.abs(np.log2(f / reference_hz)) <= 1.0 / 6.0 + 1e-9
    reference = _in_the_middle(np.log2(f[near] / reference_hz), power[near])
    if math.isnan(reference):
        why = f"the recording does not hold the sweep round {reference_hz:g} Hz"
        return _undefined(why, reference_hz, conditions)
    if not reference > 0.0:
        return _undefined(f"nothing comes back at {reference_hz:g} Hz", reference_hz, conditions)
    known = power > 0.0
    magnitude = np.full(f.size, np.nan)
    magnitude[known] = 10.0 * np.log10(power[known] / reference)
    sigma = np.full(f.size, np.nan)
    sigma[known] = 4.343 * doubt[known] / power[known]
    left = _left_by_a_mean(int(np.count_nonzero(near)), _span(sweep, reference_hz) / _span(sweep, math.inf))
    gain = Reading(
        quantity=f"gain round {reference_hz:g} Hz",
        value=10.0 * math.log10(2.0 * reference) - sweep.level_dbfs,
        unit="dB",
        method=f"{_METHOD}, mean over a third octave",
        conditions=conditions,
        uncertainty=math.hypot(
            4.343 * left * _rms(scatter[near]) / reference, 4.343 * _rms(bound[near]) / reference, _MEAN_OFF_DB
        ),
        uncertainty_basis="theory (noise beside the band, windows that reach beyond the third octave)",
    )
    frequency, height = _bump(f, magnitude, sigma, conditions)
    low_edge, high_edge = band_edges(
        f,
        magnitude,
        reference_hz=reference_hz,
        method=_METHOD,
        conditions=conditions,
        uncertainty_db=sigma,
    )
    return SlowResponse(
        magnitude=_magnitude(
            f,
            magnitude,
            sigma,
            reference_hz,
            conditions,
            *(("the recording does not hold all of the sweep",) if np.any(np.isnan(power)) else ()),
            *(("some points lie in the noise",) if np.any(power <= 0.0) else ()),
        ),
        gain=gain,
        bump_frequency=frequency,
        bump_height=height,
        low_edge=low_edge,
        high_edge=high_edge,
    )


def _in_the_middle(octaves: FloatArray, power: FloatArray) -> float:
    """Mean of powers round 0: places depend on where the sweep began, so a straight line takes them there."""
    if len(octaves) < 3 or not np.all(np.isfinite(power)):
        return float(np.mean(power))
    return float(np.polynomial.Polynomial.fit(octaves, power, 1)(0.0))


def _check_duration(sweep: SynchronisedSweep) -> None:
    octave_seconds = sweep.rate_seconds * math.log(2.0)
    if octave_seconds < _LEAST_SECONDS_PER_OCTAVE:
        raise MeasureError(
            f"the sweep takes {octave_seconds:.2g} s an octave, but must take {_LEAST_SECONDS_PER_OCTAVE:g} s or "
            "more; send a longer one"
        )


def _points(sweep: SynchronisedSweep) -> FloatArray:
    """Frequencies in Hz that are read: those round which the sweep is whole for half a window on either side."""
    octaves = math.log2(sweep.high_hz / (_BELOW * sweep.low_hz)) - 0.5 * _WINDOW_OCTAVES
    count = math.floor(_POINTS_PER_OCTAVE * octaves + 1e-9) + 1
    if count < _POINTS_PER_OCTAVE:
        raise MeasureError(
            f"the sweep goes from {sweep.low_hz:g} to {sweep.high_hz:g} Hz, but must span an octave and a half"
        )
    return np.asarray(_BELOW * sweep.low_hz * 2.0 ** (np.arange(count) / _POINTS_PER_OCTAVE))


def _span(sweep: SynchronisedSweep, hz: float) -> float:
    """Seconds of the window in which a frequency is read."""
    return max(_WINDOW_OCTAVES * sweep.rate_seconds * math.log(2.0), _LEAST_PERIODS / hz)


def _left_by_a_mean(points: int, longer: float) -> float:
    """What a mean over neighbouring points leaves of the scatter by noise, for windows so many times as long.

    Windows overlap, and what noise does to a power goes with the square of the window.
    """
    size = 96 * _WINDOW_POINTS
    window = np.square(np.sin(np.pi * (np.arange(size) + 0.5) / size)) ** 2
    lags = np.arange(points)
    shifts = np.minimum(np.rint(lags * size / (_WINDOW_POINTS * longer)).astype(np.int64), size)
    alike = np.array([window[shift:] @ window[: size - shift] for shift in shifts]) / (window @ window)
    return math.sqrt(float(2.0 * np.sum((points - lags) * alike) - points)) / points


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def _followed(y: FloatArray, sweep: SynchronisedSweep, hz: float, placed: Placed) -> LinePower:
    """Power of the sweep while it passes a frequency."""
    rate, length, late, speed = sweep.sample_rate, sweep.rate_seconds, placed.begins_seconds, placed.speed_ratio
    span = _span(sweep, hz) / speed
    middle = length * math.log(hz / sweep.start_hz) / speed + late
    first, size = round((middle - 0.5 * span) * rate), round(span * rate)
    if first < 0 or first + size > len(y):
        return LinePower(math.nan, math.nan, math.nan)
    clock = ((first + np.arange(size)) / rate - late) * speed
    turn = 2.0 * np.pi * sweep.start_hz * length * np.exp(clock / length)
    return line_power(y[first : first + size], turn, rate, speed * hz)


def _bump(
    f: FloatArray, magnitude: FloatArray, sigma: FloatArray, conditions: Conditions
) -> tuple[Reading, Reading]:
    """The highest point in the bass, if the response falls off on both sides of it."""
    names = (("frequency of the rise in the bass", "Hz"), ("height of the rise in the bass", "dB"))
    method = f"highest point between {_BASS_HZ[0]:g} and {_BASS_HZ[1]:g} Hz, parabola over log frequency"
    bass = np.flatnonzero((f >= _BASS_HZ[0]) & (f <= _BASS_HZ[1]) & np.isfinite(magnitude))
    reason = "the sweep does not reach into the bass"
    if len(bass) >= _POINTS_PER_OCTAVE:
        levels = magnitude[bass]
        top = int(np.argmax(levels))
        reason = ""
        if levels[top] < _LEAST_BUMP_DB:
            reason = f"the response rises by no more than {_LEAST_BUMP_DB:g} dB between {_BASS_HZ[0]:g} and "
            reason += f"{_BASS_HZ[1]:g} Hz"
        elif min(levels[top] - levels[0], levels[top] - levels[-1]) < _LEAST_FALL_DB:
            side = "below" if levels[top] - levels[0] < _LEAST_FALL_DB else "above"
            reason = f"the response rises on to its end {side} {f[bass[top]]:.0f} Hz: there is no bump"
    if reason:
        return (
            undefined(*names[0], reason, conditions, method=method),
            undefined(*names[1], reason, conditions, method=method),
        )
    # Five points, so that what one of them is off hardly moves the crest.
    around = bass[max(top - 2, 0) : top + 3]
    octaves = np.log2(f[around] / f[bass[top]])
    bend, slope, height = np.polyfit(octaves, magnitude[around], 2)
    shift = float(np.clip(-0.5 * slope / bend, octaves[0], octaves[-1])) if bend < 0.0 else 0.0
    doubt_db = float(np.nanmax(sigma[around]))
    # Along a parabola that is wrong by its doubt, the crest may lie so far off.
    doubt_octaves = math.hypot(doubt_db / max(2.0 * abs(bend) * abs(octaves[-1] - octaves[0]), 1e-9), _OFF_OCTAVES)
    frequency_hz = float(f[bass[top]]) * 2.0**shift
    basis = "theory (noise beside the band, interpolation)"
    return (
        Reading(
            quantity=names[0][0],
            value=frequency_hz,
            unit="Hz",
            method=method,
            conditions=conditions,
            uncertainty=frequency_hz * math.log(2.0) * doubt_octaves,
            uncertainty_basis=basis,
        ),
        Reading(
            quantity=names[1][0],
            value=float(height + slope * shift + bend * shift**2),
            unit="dB",
            method=method,
            conditions=conditions,
            uncertainty=math.hypot(doubt_db, 0.005),
            uncertainty_basis=basis,
        ),
    )


def _undefined(reason: str, reference_hz: float, conditions: Conditions) -> SlowResponse:
    def reading(quantity: str, unit: str) -> Reading:
        return undefined(quantity, unit, reason, conditions, method=_METHOD)

    empty = np.empty(0)
    return SlowResponse(
        magnitude=_magnitude(empty, empty, empty, reference_hz, conditions, reason),
        gain=reading("gain", "dB"),
        bump_frequency=reading("frequency of the rise in the bass", "Hz"),
        bump_height=reading("height of the rise in the bass", "dB"),
        low_edge=reading(LOWER_EDGE, "Hz"),
        high_edge=reading(UPPER_EDGE, "Hz"),
    )


def _magnitude(
    f: FloatArray,
    magnitude_db: FloatArray,
    sigma_db: FloatArray,
    reference_hz: float,
    conditions: Conditions,
    *warnings: str,
) -> Curve:
    return Curve(
        quantity=f"response re {reference_hz:g} Hz",
        x=f,
        y=magnitude_db,
        x_name="frequency",
        x_unit="Hz",
        y_unit="dB",
        uncertainty=sigma_db,
        method=_METHOD,
        conditions=conditions,
        warnings=warnings,
    )
