"""Lines at known multiples of one tone, whose phase is the time base, by least squares."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from measure.parts.line_solver import edge_weights, solve_lines
from measure.parts.spectrum import find_tone
from measure.parts.steady_tone import NotMeasurableError
from measure.parts.time_base import MIN_PERIODS, TimeBase, track_phase
from measure.validation import FloatArray, check_rate, check_signal, unusable

__all__ = ["LineFit", "fit_lines"]


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
        As in :class:`measure.parts.tone_fit.ToneFit`.
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
    try:
        base = _tracked(y, rate, reference_hz, neighbour_hz, within)
    except NotMeasurableError as refusal:
        undefined = np.full(len(lines_hz), np.nan)
        return LineFit(
            reference_hz=math.nan,
            amplitudes=undefined,
            sigmas=undefined,
            residual_rms=math.nan,
            total_rms=math.nan,
            seconds=math.nan,
            reason=str(refusal),
        )
    multiples = np.concatenate([[0.0], np.asarray(lines_hz, dtype=np.float64) / reference_hz])
    found = solve_lines(base.part(y), base.phase, multiples, rate, edge_weights(len(base.phase)))
    return LineFit(
        reference_hz=base.mean_hz,
        amplitudes=np.abs(found.lines[1:]),
        sigmas=found.sigmas[1:],
        residual_rms=float(np.sqrt(np.mean(found.residual**2))),
        total_rms=math.sqrt(found.mean_square),
        seconds=base.seconds,
    )


def _tracked(y: FloatArray, rate: float, reference_hz: float, neighbour_hz: float, within: float) -> TimeBase:
    """Phase of the tone that gives the time base, or the reason why there is none."""
    if reason := unusable(y):
        raise NotMeasurableError(reason)
    nearest = find_tone(y, rate, near_hz=reference_hz, within=within)
    if not nearest > 0.0:
        raise NotMeasurableError(f"no tone was found near {reference_hz:g} Hz")
    phase, envelope, start = track_phase(y, rate, frequency_hz=nearest, neighbour_hz=neighbour_hz)
    n = len(phase)
    if n < 0.25 * len(y) or n * neighbour_hz / rate < MIN_PERIODS:
        raise NotMeasurableError(
            f"the recording of {len(y) / rate:.3g} s is too short to part lines {neighbour_hz:g} Hz apart"
        )
    if np.std(envelope) > 0.3 * np.mean(envelope):
        raise NotMeasurableError(
            "the tracked tone's amplitude swings by more than 30 %: it is interrupted or missing"
        )
    base = TimeBase(found_hz=nearest, phase=phase, envelope=envelope, start=start, sample_rate=rate)
    # What was followed may be the skirt of a strong line elsewhere, even backwards.
    if abs(base.mean_hz / reference_hz - 1.0) > within:
        raise NotMeasurableError(f"no tone was found near {reference_hz:g} Hz")
    return base
