"""Harmonics and THD of a recorded tone."""

import math
from dataclasses import dataclass

import numpy as np

from measure.errors import MeasureError
from measure.parts.spectrum import ToneFit, fit_tone
from measure.results import Conditions, Curve, Reading, Result
from measure.validation import FloatArray

__all__ = [
    "HIGHEST_ORDER",
    "HarmonicDistortion",
    "debiased",
    "distortion",
    "harmonic_distortion",
    "thd_ratio",
]

_TRACKED = "least squares on the tracked phase of the tone"
_FIXED = "least squares at one fixed frequency"
HIGHEST_ORDER = 10
# Power of a line over that of noise alone that noise exceeds once in a thousand times, exp(-7).
_DETECTION = 7.0
_NEAR_NOISE = 6.0  # times its uncertainty, up to which an amplitude hardly stands out


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class HarmonicDistortion(Result):
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

    def harmonic(self, order: int) -> Reading:
        """Level of one harmonic, 2 to the highest that was asked for."""
        if not 2 <= order <= len(self.harmonics) + 1:
            raise MeasureError(f"order is {order!r}, but must lie between 2 and {len(self.harmonics) + 1}")
        return self.harmonics[order - 2]


def harmonic_distortion(
    signal: FloatArray, sample_rate: float, *, frequency_hz: float | None = None, orders: int = HIGHEST_ORDER
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
    ratio, doubt = thd_ratio(fit)
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
            level = 20.0 * math.log10(debiased(fit, k) / tone)
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


def debiased(fit: ToneFit, order: int) -> float:
    """Amplitude without the power that noise adds on average; ``nan`` stays ``nan``."""
    a, sigma = float(fit.amplitudes[order]), float(fit.sigmas[order])
    return math.sqrt(max(a**2 - 2.0 * sigma**2, 0.0)) if math.isfinite(a) else math.nan


def _decibels_of(doubt: float) -> float:
    """Uncertainty in dB of an amplitude with a relative one: half the way down to where two of these lead.

    Decibels are not even-handed, and a line that hardly stands out was seen because the noise has lifted it.
    """
    lifted = max(0.0, _NEAR_NOISE - 1.0 / doubt) if doubt > 0.0 else 0.0
    return -10.0 * math.log10(1.0 - (2.0 + 0.3 * lifted) * doubt)


def thd_ratio(fit: ToneFit) -> tuple[float, float]:
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
