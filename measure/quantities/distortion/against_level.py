"""Distortion against level, and the maximum operating level."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np

from measure.errors import MeasureError
from measure.parts.run import drive
from measure.parts.signals import LevelSteps, level_steps
from measure.parts.tone_fit import fit_tone
from measure.quantities.distortion.harmonics import HIGHEST_ORDER, debiased, thd_ratio
from measure.results import Conditions, Curve, Reading, Result
from measure.validation import FloatArray, as_system, check_rate, check_signal

__all__ = [
    "LevelDistortion",
    "distortion_against_level",
    "distortion_of_steps",
    "operating_level",
]


# What the laws through steps of 1 dB miss at most, by trials with tanh and a cubic; it grows with the step's cube.
_LAW_MISSES_DB = 1e-4


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class LevelDistortion(Result):
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
    steps_at = partial(
        level_steps, rate, frequency_hz=frequency_hz, step_seconds=step_seconds, settle_seconds=settle_seconds
    )
    steps = steps_at(levels_dbfs=levels_dbfs)
    coarse = distortion_of_steps(drive(under_test, steps.signal, rate), steps, limit_percent=limit_percent)
    if not coarse.operating_level.defined:
        return coarse
    found = coarse.operating_level.value
    fine = steps_at(levels_dbfs=[found + offset for offset in (-0.6, -0.3, 0.0, 0.3, 0.6)])
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
    """Measure the maximum operating level: the input level for a third harmonic of `limit_percent`.

    The parameters are those of :func:`distortion_against_level`: a system ``(audio, sample_rate) -> audio``,
    samples per second, frequency of the tone, and the third harmonic in per cent of the fundamental.
    """
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
        fit_tone(y[a:b], steps.sample_rate, frequency_hz=steps.frequency_hz, orders=HIGHEST_ORDER)
        for a, b in steps.windows
    ]
    tone = np.array([fit.amplitudes[1] for fit in fits])
    thd, thd_sigma = np.array([thd_ratio(fit) for fit in fits]).T
    second, third = (np.array([debiased(fit, order) for fit in fits]) / tone for order in (2, 3))
    second_sigma, third_sigma = (np.array([fit.sigmas[order] for fit in fits]) / tone for order in (2, 3))
    with np.errstate(divide="ignore"):
        gain = 20.0 * np.log10(tone) - levels
    crossing = _crossing(levels, third, third_sigma, gain, 0.01 * limit_percent)
    if crossing.reason and all(fit.reason for fit in fits):
        crossing = crossing._replace(reason=fits[-1].reason)
    conditions: Conditions = {"frequency_hz": steps.frequency_hz, "sample_rate_hz": steps.sample_rate}
    readings = _operating_levels(crossing, steps, limit_percent)

    def curve(quantity: str, values: FloatArray, sigma: FloatArray, unit: str) -> Curve:
        return Curve(
            quantity=quantity,
            x=levels,
            y=values,
            x_name="input level",
            x_unit="dBFS",
            y_unit=unit,
            uncertainty=sigma,
            method="least squares, step by step",
            conditions=conditions,
            warnings=tuple(dict.fromkeys(fit.reason for fit in fits if fit.reason)),
        )

    return LevelDistortion(
        thd=curve("THD against level", 100.0 * thd, 100.0 * thd_sigma, "%"),
        second=curve("second harmonic against level", 100.0 * second, 100.0 * second_sigma, "%"),
        third=curve("third harmonic against level", 100.0 * third, 100.0 * third_sigma, "%"),
        gain=curve("gain against level", gain, 8.686 * np.array([fit.sigmas[1] for fit in fits]) / tone, "dB"),
        operating_level=readings[0],
        operating_level_output=readings[1],
    )


class _Crossing(NamedTuple):
    """Where the third harmonic rises through the limit, or why it does not."""

    input_dbfs: float = math.nan
    output_dbfs: float = math.nan
    sigma_db: float = math.nan
    reason: str = ""


def _operating_levels(crossing: _Crossing, steps: LevelSteps, limit_percent: float) -> tuple[Reading, Reading]:
    """Maximum operating level going in, and coming out."""
    known = math.isfinite(crossing.sigma_db)
    into = Reading(
        quantity="maximum operating level",
        value=crossing.input_dbfs,
        unit="dBFS",
        method=f"level of {limit_percent:g} % third harmonic, interpolated between steps",
        conditions={
            "frequency_hz": steps.frequency_hz,
            "third_harmonic_percent": limit_percent,
            "lowest_level_dbfs": float(steps.levels_dbfs[0]),
            "highest_level_dbfs": float(steps.levels_dbfs[-1]),
            "sample_rate_hz": steps.sample_rate,
        },
        uncertainty=crossing.sigma_db,
        uncertainty_basis="theory (noise around the third harmonic, interpolation)" if known else "not stated",
        warnings=(crossing.reason,) if crossing.reason else (),
    )
    return into, replace(into, quantity="maximum operating level, output", value=crossing.output_dbfs)


def _crossing(
    levels: FloatArray, third: FloatArray, doubts: FloatArray, gain: FloatArray, limit: float
) -> _Crossing:
    """The first rise of the third harmonic through the limit."""
    from scipy.interpolate import PchipInterpolator

    known = np.isfinite(third) & (third > 0.0)
    if np.count_nonzero(known) < 2:
        return _Crossing(reason="no third harmonic was found at two levels or more")
    x, ratio_db = levels[known], 20.0 * np.log10(third[known] / limit)
    over = np.flatnonzero((ratio_db[1:] >= 0.0) & (ratio_db[:-1] < 0.0))
    if not len(over):
        percent, first, last = f"{100 * limit:g} %", 100 * third[known][0], 100 * third[known][-1]
        if np.all(ratio_db >= 0.0):
            return _Crossing(
                reason=f"the third harmonic exceeds {percent} already at {x[0]:g} dBFS ({first:.3g} %)"
            )
        return _Crossing(
            reason=f"the third harmonic does not reach {percent}: it is {last:.3g} % at {x[-1]:g} dBFS"
        )
    i = int(over[0])
    # The law is smooth: a cubic through the four points around the crossing is good to 2e-6 dB at 0.3 dB steps.
    near = slice(max(0, i - 1), i + 3)
    law = np.polynomial.Polynomial.fit(x[near], ratio_db[near], min(3, len(x[near]) - 1))
    low, high = float(x[i]), float(x[i + 1])
    step = high - low
    steepness = (ratio_db[i + 1] - ratio_db[i]) / step
    if law(low) < 0.0 <= law(high):
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if law(middle) < 0.0 else (low, middle)
    else:
        low = high = float(x[i] - ratio_db[i] / steepness)
    value = 0.5 * (low + high)
    noise = 8.686 * float(np.max(doubts[known][i : i + 2] / third[known][i : i + 2])) / steepness
    sigma = math.hypot(noise, _LAW_MISSES_DB * step**3)
    output = value + float(PchipInterpolator(x, gain[known])(value))
    return _Crossing(value, output, sigma)
