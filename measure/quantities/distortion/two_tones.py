"""What both sorts of intermodulation share: two tones and their products, fitted together."""

import math

import numpy as np

from measure.errors import MeasureError
from measure.parts.line_fit import LineFit, fit_lines
from measure.results import Conditions, Reading
from measure.validation import FloatArray, check_rate

__all__ = [
    "percent_reading",
    "two_tone_conditions",
    "two_tone_fit",
]


def percent_reading(
    quantity: str, ratio: float, doubt: float, standard: str, method: str, conditions: Conditions, reason: str
) -> Reading:
    """A ratio as a percentage, or the reason why there is none."""
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


def two_tone_fit(
    signal: FloatArray, sample_rate: float, low_hz: float, high_hz: float, lines: list[float], apart: float
) -> LineFit:
    """Fit both tones and their products; without a figure, and with the reason, where one tone is not there."""
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


def two_tone_conditions(fit: LineFit, low_hz: float, high_hz: float, rate: float) -> Conditions:
    """What figures of two tones depend on."""
    conditions: Conditions = {"low_hz": low_hz, "high_hz": high_hz, "sample_rate_hz": float(rate)}
    if not fit.reason:
        conditions |= {
            "amplitude_ratio": round(float(fit.amplitudes[0] / fit.amplitudes[1]), 4),
            "level_dbfs": round(20.0 * math.log10(float(fit.amplitudes[0] + fit.amplitudes[1])), 3),
            "seconds": round(fit.seconds, 6),
        }
    return conditions
